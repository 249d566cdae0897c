"""The light budget: what each cause took of the time, so that nothing is counted twice.

A kept frame is worth t_eff = t L W S, with L, W and S what its light, its width and its sky are
over those of the reference. What it lost, t - t_eff, is shared in proportion to their logarithms:
-ln L (t - t_eff) / ln(t / t_eff), which is the logarithmic mean of t and t_eff times -ln L. The
shares add up to the loss exactly; where one is better than the reference it is a gain, listed as
such. A frame that is not kept is lost wholly, to its first cause.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import expm1, log
from statistics import median

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.ledger.worth import References
from runlog.core.story.charged import BY_HAND, UNGRADED

LIGHT, SKY = "less light", "brighter sky"
FOCUS, SEEING, GUIDING, WIDTH = "focus", "seeing", "guiding", "wider stars, cause unknown"
# What a fault of a kept frame says of its width.
WIDENED_BY = {
    FaultName.DEFOCUSED: FOCUS,
    FaultName.TRAILED: GUIDING,
    FaultName.DOUBLED: GUIDING,
    FaultName.SOFT: SEEING,
}
FLATTER = 0.045  # of half-flux radius over FWHM: so much is focus, not seeing (as the grading's)
NOTHING_S = 1e-9  # less is what rounding leaves
ENOUGH = 5  # frames that tell a run's usual profile


@dataclass(frozen=True, slots=True)
class Factors:
    """What a frame is over the reference; their product is effective over exposure time."""

    light: float  # T^2
    width: float  # 1 / FWHM^2; 1 where depth is that of surfaces
    sky: float  # 1 / v

    @property
    def product(self) -> float:
        """Effective over exposure time."""
        return self.light * self.width * self.sky


@dataclass(frozen=True, slots=True)
class Shares:
    """What light, width and sky took of one frame's time, in seconds; negative is a gain."""

    light_s: float
    width_s: float
    sky_s: float


def logarithmic_mean(a: float, b: float) -> float:
    """Give (a - b) / ln(a / b), and a where they are alike."""
    x = log(b / a)
    return a * expm1(x) / x if x else a


def shares(time_s: float, factors: Factors) -> Shares:
    """Share out what a frame lost; the three add up to t - t_eff."""
    mean_s = logarithmic_mean(time_s, time_s * factors.product)
    return Shares(*(-mean_s * log(f) for f in (factors.light, factors.width, factors.sky)))


def factors_of(frame: Frame, references: References) -> Factors | None:
    """Give what a frame is over its references; None where its depth or one of these is unknown."""
    own, where, time_s = frame.judgement, frame.context, frame.header.exposure_s
    if not (own.depth_base and own.light_e_adu and time_s and own.effective_s):
        return None
    rig_id, form = references.runs[where.run_id]
    against = references.divisors(rig_id, where.filter, own.depth_base)
    if against is None or not (own.extended_s2_arcsec2_adu2 and own.point_s2_adu2):
        return None
    light = own.light_e_adu**2
    sky = own.extended_s2_arcsec2_adu2 / (time_s * light)
    width = own.point_s2_adu2 / own.extended_s2_arcsec2_adu2
    usual = against.point.value / against.extended.value
    return Factors(
        light / against.light.value,
        width / usual if form == DepthForm.POINT.value else 1.0,
        # In the form of stars width and sky have one reference between them.
        sky / against.extended.value,
    )


@dataclass(slots=True)
class Loss:
    """What one cause took."""

    cause: str
    kept: bool  # of frames that are kept, so that it is depth that was lost
    frames: int = 0
    lost_s: float = 0.0
    gained_s: float = 0.0  # of frames that were better than the reference in it
    cure_s: float | None = None  # effective time more, had it not been; None where that is unknown

    def add(self, lost_s: float, cure_s: float | None) -> None:
        """Add a frame's."""
        self.frames += lost_s > 0
        self.lost_s += max(lost_s, 0.0)
        self.gained_s += max(-lost_s, 0.0)
        if cure_s is not None and lost_s > 0:
            self.cure_s = (self.cure_s or 0.0) + cure_s


@dataclass(frozen=True, slots=True)
class Budget:
    """Where exposure time went: logged = effective + unknown + lost - gained, exactly."""

    logged_s: float
    kept_s: float
    effective_s: float
    unknown_s: float  # kept time of which no depth is known
    unknown_frames: int
    losses: tuple[Loss, ...]  # the most first
    per_kept_s: float | None = None  # effective time of a second kept
    reference_nights: tuple[int, ...] = ()  # that each reference in it was found among, each once
    focus_s: Mapping[str, float] = field(default_factory=dict)  # lost to focus, by frame's key


@dataclass
class _Book:
    losses: dict[tuple[str, bool], Loss] = field(default_factory=dict)
    focus_s: dict[str, float] = field(default_factory=dict)

    def of(self, cause: str, *, kept: bool) -> Loss:
        return self.losses.setdefault((cause, kept), Loss(cause, kept))


def budget(lights: Sequence[Frame], references: References) -> Budget:
    """Share out the exposure time of light frames, in whatever order they come."""
    lights = sorted(lights, key=lambda frame: frame.key)  # sums hang on no order
    book, usual = _Book(), _usual_profiles(lights)
    kept = [f for f in lights if f.judgement.grade is Grade.KEEP]
    known = {f.key: x for f in kept if (x := factors_of(f, references)) is not None}
    worth = _worth_of_kept([f for f in kept if f.key in known])
    for frame in lights:
        if frame.key in known:
            _add_kept(book, frame, known[frame.key], usual)
        elif frame.judgement.grade is not Grade.KEEP:
            rate = worth.get(_like(frame), worth.get(_filter(frame)))
            time_s = _time_s(frame)
            cause = _cause(frame)
            book.of(cause, kept=False).add(time_s, None if rate is None else time_s * rate)
            if cause == FaultName.DEFOCUSED.value:
                book.focus_s[frame.key] = time_s
    unknown = [f for f in kept if f.key not in known]
    kept_known_s = sum(_time_s(f) for f in kept if f.key in known)
    effective_s = sum(_time_s(f) * known[f.key].product for f in kept if f.key in known)
    return Budget(
        sum(map(_time_s, lights)), sum(map(_time_s, kept)), effective_s,
        sum(map(_time_s, unknown)), len(unknown),
        tuple(sorted(book.losses.values(), key=lambda x: (-x.lost_s, x.cause, x.kept))),
        effective_s / kept_known_s if kept_known_s else None,
        tuple(sorted({_nights_behind(f, references) for f in kept if f.key in known})),
        book.focus_s,
    )  # fmt: skip


def _nights_behind(frame: Frame, references: References) -> int:
    """Count the nights that the references of a frame were found among."""
    where, (rig_id, form) = frame.context, references.runs[frame.context.run_id]
    found = references.divisors(rig_id, where.filter, frame.judgement.depth_base or "")
    return min(found.light.nights, found.of(form).nights) if found else 0


def _time_s(frame: Frame) -> float:
    return frame.header.exposure_s or 0.0


def _add_kept(
    book: _Book, frame: Frame, factors: Factors, usual: Mapping[tuple[int, str], float]
) -> None:
    time_s = _time_s(frame)
    effective_s, own = time_s * factors.product, shares(time_s, factors)
    every = (
        (LIGHT, own.light_s, factors.light),
        (_widened_by(frame, usual), own.width_s, factors.width),
        (SKY, own.sky_s, factors.sky),
    )
    for cause, lost_s, factor in every:
        if abs(lost_s) > NOTHING_S:
            book.of(cause, kept=True).add(lost_s, effective_s * (1 / factor - 1))
        if cause == FOCUS and lost_s > NOTHING_S:
            book.focus_s[frame.key] = lost_s


def _widened_by(frame: Frame, usual: Mapping[tuple[int, str], float]) -> str:
    """Say what made a kept frame wide: by its faults, then by its profile against the run's."""
    for fault in frame.judgement.faults:
        if fault.name in WIDENED_BY:
            return WIDENED_BY[fault.name]
    own, run = _profile(frame), usual.get((frame.context.run_id, frame.context.filter))
    return FOCUS if own is not None and run is not None and own <= run * (1 - FLATTER) else WIDTH


def _usual_profiles(lights: Iterable[Frame]) -> dict[tuple[int, str], float]:
    found: dict[tuple[int, str], list[float]] = {}
    for frame in lights:
        if frame.judgement.grade is Grade.KEEP and (own := _profile(frame)) is not None:
            found.setdefault((frame.context.run_id, frame.context.filter), []).append(own)
    return {key: median(own) for key, own in found.items() if len(own) >= ENOUGH}


def _profile(frame: Frame) -> float | None:
    got = frame.measurement
    return got.hfr_px / got.fwhm_px if got.hfr_px and got.fwhm_px else None


def _cause(frame: Frame) -> str:
    """Name what a frame that is not kept was lost to: the first fault that weighs."""
    own = frame.judgement
    costly = (f.name.value for f in own.faults if f.grade is not Grade.KEEP)
    unnamed = UNGRADED if own.grade is own.auto_grade else BY_HAND
    return next(costly, unnamed)


def _like(frame: Frame) -> tuple[str, str, str]:
    return frame.context.rig, frame.context.filter, frame.context.target


def _filter(frame: Frame) -> tuple[str, str, str]:
    return frame.context.rig, frame.context.filter, ""


def _worth_of_kept(kept: Iterable[Frame]) -> dict[tuple[str, str, str], float]:
    """Give what a kept second was worth, by rig, filter and target, and by rig and filter."""
    sums: dict[tuple[str, str, str], tuple[float, float]] = {}
    for frame in kept:
        for key in (_like(frame), _filter(frame)):
            worth_s, time_s = sums.get(key, (0.0, 0.0))
            own = frame.judgement.effective_s or 0.0
            sums[key] = worth_s + own, time_s + _time_s(frame)
    return {key: worth_s / time_s for key, (worth_s, time_s) in sums.items()}
