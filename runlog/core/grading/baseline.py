"""What is usual for a run, found so that a bad half of the night cannot drag it along."""

from cmath import rect
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite, radians, sqrt
from statistics import median
from typing import TypeVar

from runlog.core.frame import Frame
from runlog.core.grading.policy import extinction_mag
from runlog.core.quantiles import quantile

# The good quarter: with two thirds of the frames bad it still lies among the good ones.
GOOD_LOW = 0.25
GOOD_HIGH = 0.75
# Clear air and a dark sky scatter little, so the usual may be taken nearer to the best.
CLEAREST = 0.9
DARKEST = 0.15
ENOUGH = 3  # frames to compare with
SEEING_EXPONENT = 0.6  # seeing grows as airmass^0.6 (Kolmogorov; ESO astroclimatology pages)
FLOOR_SHARE = 0.75  # of the width that optics and sampling give, where nothing better is known
MOST_AIRMASS = 3.0
# A trail of three quarters of a star's width, by adaptive moments: 0.451 for a Moffat of beta 3,
# 2.2 px wide as sampled (0.44 to 0.47 from beta 2.5 to a Gaussian, 1.7 to 4.6 px wide; GalSim, see
# tests/core/grading/test_physics.py). Beside rounder frames what is rounder than this is no trail.
ELONGATED = 0.45
# No optics make a star three times as long as wide over a whole field (common practice, no source).
LINES_AXIS_RATIO = 0.3
SMALL_STEP = 0.05  # of the frame's side: half of what counts as off target
LOOK_BACK = 2  # tracks to go on with: one frame astray does not cut one in two


T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class UsualShape:
    """Usual shape of stars among frames that compare; None where too few tell."""

    frames: int
    fwhm_px: float | None = None  # at airmass 1
    ellipticity: complex | None = None  # the rig's own ellipticity (e1 + i e2)
    profile: float | None = None  # half-flux radius over FWHM
    tilt: float | None = None  # span of the width over the frame, share of its median
    all_filters: bool = False  # of one filter there were too few
    floor_px: float | None = None  # of the width, what optics and sampling are held to give


@dataclass(frozen=True, slots=True)
class UsualAim:
    """Where frames of one target and filter point: at which fields, and where in the first."""

    frames: int = 0  # that there was something to match with
    fields: tuple[tuple[str | None, int], ...] = ()  # reference and frames on it, most frames first
    shift_px: tuple[float, float] | None = None  # usual place on the first field's reference
    # By frame key: how near to that place the field was before it got to the frame by small
    # steps, or after: a drift takes frames far off without one of them being astray.
    nearest: Mapping[str, float] = field(default_factory=dict)

    def away(self, frame: Frame) -> float | None:
        """Give how far a frame's field is from the usual place, as a share of the frame's side."""
        return _apart(
            (frame.placement.shift_x_px, frame.placement.shift_y_px), self.shift_px, frame
        )

    @property
    def main(self) -> str | None:
        """Name the field that most frames show, by its reference."""
        return self.fields[0][0] if self.fields else None

    @property
    def main_share(self) -> float:
        """Share of the frames that show it."""
        return self.fields[0][1] / self.frames if self.fields else 0.0

    def share(self, reference: str | None) -> float:
        """Share of the frames that show a field."""
        return dict(self.fields).get(reference, 0) / self.frames if self.frames else 0.0


def low(values: Iterable[float | None]) -> float | None:
    """Take the value a quarter of the way up: usual, where trouble means more."""
    return _quantile(values, GOOD_LOW)


def high(values: Iterable[float | None]) -> float | None:
    """Take the value three quarters of the way up: usual, where trouble means less."""
    return _quantile(values, GOOD_HIGH)


def clearest(values: Iterable[float | None]) -> float | None:
    """Take the value nine tenths of the way up: the light of a clear sky."""
    return _quantile(values, CLEAREST)


def darkest(values: Iterable[float | None]) -> float | None:
    """Take the value near the bottom: a sky without Moon, twilight and lamps."""
    return _quantile(values, DARKEST)


def _quantile(values: Iterable[float | None], share: float) -> float | None:
    known = [value for value in values if value is not None and isfinite(value)]
    return quantile(known, share) if len(known) >= ENOUGH else None


# --- values of one frame --------------------------------------------------------------------


def sky_rate(frame: Frame) -> float | None:
    """Sky in ADU per second with the pedestal removed; None when the pedestal is unknown."""
    if (
        frame.measurement.background_adu is None
        or frame.context.pedestal_adu is None
        or not frame.header.exposure_s
    ):
        return None
    return (
        max(frame.measurement.background_adu - frame.context.pedestal_adu, 0.0)
        / frame.header.exposure_s
    )


def sky_rate_at_zenith(frame: Frame) -> float | None:
    """Sky rate with the path through the air taken out.

    A dark sky brightens away from the zenith as X 10^(-0.4 k (X - 1)): a longer path glows more
    and dims more (Krisciunas and Schaefer 1991, PASP 103, 1033, equation 2).
    """
    rate, airmass = sky_rate(frame), frame.context.airmass
    if rate is None or airmass is None:
        return rate
    return sky_brought_to_zenith(rate, airmass, frame.context.filter)


def sky_brought_to_zenith(rate: float, airmass: float, filter: str) -> float:
    """Take the path through the air out of a sky rate, in whatever unit."""
    airmass = min(max(airmass, 1.0), MOST_AIRMASS)
    return float(rate / (airmass * 10 ** (-0.4 * extinction_mag(filter) * (airmass - 1))))


def flux_at_zenith(frame: Frame) -> float | None:
    """Flux of the ranked star with what a clear sky takes at the frame's airmass given back."""
    if frame.ranked_flux_adu_s is None or frame.context.airmass is None:
        return frame.ranked_flux_adu_s
    loss_mag = extinction_mag(frame.context.filter) * (frame.context.airmass - 1)
    return float(frame.ranked_flux_adu_s * 10 ** (0.4 * loss_mag))


def profile(frame: Frame) -> float | None:
    """Half-flux radius over FWHM: 0.5 for a Gaussian, more for wings, rings and discs."""
    if not frame.measurement.hfr_px or not frame.measurement.fwhm_px:
        return None
    return frame.measurement.hfr_px / frame.measurement.fwhm_px


def ellipticity(frame: Frame) -> complex | None:
    """Ellipticity (1 - q) / (1 + q) as a complex number at twice the position angle."""
    if frame.measurement.axis_ratio is None or frame.measurement.elongation_deg is None:
        return None
    size = (1 - frame.measurement.axis_ratio) / (1 + frame.measurement.axis_ratio)
    return rect(size, 2 * radians(frame.measurement.elongation_deg))


def eccentricity_of(ellipticity: float) -> float:
    """Turn an ellipticity (1 - q) / (1 + q) into the eccentricity sqrt(1 - q^2)."""
    q = (1 - ellipticity) / (1 + ellipticity)
    return sqrt(max(0.0, 1 - q * q))


def ellipticity_of(eccentricity: float) -> float:
    """Undo `eccentricity_of`."""
    q = sqrt(max(0.0, 1 - eccentricity * eccentricity))
    return (1 - q) / (1 + q)


def width_at(zenith_px: float, floor_px: float, airmass: float | None) -> float:
    """Width expected at an airmass: only the part above the floor grows, as X^0.6."""
    if airmass is None:
        return zenith_px
    growth = min(max(airmass, 1.0), MOST_AIRMASS) ** (2 * SEEING_EXPONENT)
    seeing2 = max(zenith_px**2 - floor_px**2, 0.0)
    return sqrt(min(floor_px, zenith_px) ** 2 + seeing2 * growth)


def width_at_zenith(width_px: float, floor_px: float, airmass: float | None) -> float:
    """Undo `width_at`."""
    if airmass is None:
        return width_px
    growth = min(max(airmass, 1.0), MOST_AIRMASS) ** (2 * SEEING_EXPONENT)
    floor2 = min(floor_px, width_px) ** 2
    return sqrt(floor2 + (width_px**2 - floor2) / growth)


# --- groups ---------------------------------------------------------------------------------


def shape_group(frame: Frame) -> tuple[object, ...]:
    """Frames whose star shapes compare: filters differ in focus, binning in sampling."""
    return (frame.context.filter, frame.header.binning_x)


def sky_group(frame: Frame) -> tuple[object, ...]:
    """Frames whose sky, per second, compares: about the same place through the same filter."""
    return (
        frame.context.target,
        frame.context.filter,
        frame.header.binning_x,
        frame.header.gain,
        frame.header.offset,
    )


def light_group(frame: Frame) -> tuple[object, ...]:
    """Frames whose fluxes, per second, compare: they show the same stars besides."""
    return (*sky_group(frame), frame.placement.matched_to)


def noise_group(frame: Frame) -> tuple[object, ...]:
    """Frames whose noise compares: the same length and place, whatever stars they show."""
    return (*sky_group(frame), frame.header.exposure_s)


def count_group(frame: Frame) -> tuple[object, ...]:
    """Frames whose star counts and saturation compare: the same field and length."""
    return (*light_group(frame), frame.header.exposure_s)


def by_group(
    frames: Sequence[Frame],
    group: Callable[[Frame], tuple[object, ...]],
    find: Callable[[Sequence[Frame]], T],
) -> dict[tuple[object, ...], T]:
    """Find what is usual for each group of a run."""
    groups: dict[tuple[object, ...], list[Frame]] = {}
    for frame in frames:
        groups.setdefault(group(frame), []).append(frame)
    return {key: find(members) for key, members in groups.items()}


def usual_shape(
    frames: Sequence[Frame], floor_px: float | None = None, dimmed: Collection[str] = ()
) -> UsualShape:
    """Find the usual shape; `floor_px` is the narrowest width the rig was ever usual at.

    `dimmed` are keys of frames that lost light: what took it may have changed their profile.
    """
    narrow = low(f.measurement.fwhm_px for f in frames)
    floor = _floor(narrow, floor_px)
    good = [
        f
        for f in frames
        if narrow is not None and f.measurement.fwhm_px and f.measurement.fwhm_px <= 1.25 * narrow
    ]
    return UsualShape(
        frames=sum(f.measurement.fwhm_px is not None for f in frames),
        fwhm_px=low(
            width_at_zenith(f.measurement.fwhm_px, floor, f.context.airmass)
            for f in frames
            if f.measurement.fwhm_px
        ),
        ellipticity=_middle(ellipticity(f) for f in good),
        profile=_median(profile(f) for f in good if f.key not in dimmed)
        or _median(profile(f) for f in good),
        tilt=_median(f.measurement.tilt for f in good),
        floor_px=floor or None,
    )


def usual_aim(frames: Sequence[Frame]) -> UsualAim:
    """Find where frames point; of fields with as many frames the first by key comes first."""
    placed = [f for f in frames if f.placement.shift_x_px is not None]
    counts = Counter(f.placement.matched_to for f in placed)
    fields = tuple(sorted(counts.items(), key=lambda field: (-field[1], field[0] or "")))
    unplaced = sum(f.placement.shift_x_px is None and f.placement.matched is False for f in frames)
    main = [f for f in placed if f.placement.matched_to == fields[0][0]]
    aim = UsualAim(len(placed) + unplaced, fields, _shift(main))
    return replace(
        aim, nearest={key: near for track in _tracks(main) for key, near in _near(track, aim)}
    )


def _near(track: Sequence[Frame], aim: UsualAim) -> Iterator[tuple[str, float]]:
    known = [away for frame in track if (away := aim.away(frame)) is not None]
    if known:
        yield from ((frame.key, min(known)) for frame in track)


def _tracks(frames: Sequence[Frame]) -> list[list[Frame]]:
    """Split frames where the field jumped: each follows one just before it by a small step."""
    known = [f for f in frames if f.header.taken_at_utc is not None]
    tracks: list[list[Frame]] = []
    for frame in sorted(known, key=lambda f: (f.header.taken_at_utc, f.key)):
        near = (track for track in tracks[-LOOK_BACK:] if _follows(frame, track[-1]))
        own = next(near, None)
        if own is None:
            tracks.append([frame])
        else:
            own.append(frame)
            tracks.remove(own)
            tracks.append(own)
    return tracks


def _follows(frame: Frame, before: Frame) -> bool:
    there = (before.placement.shift_x_px, before.placement.shift_y_px)
    apart = _apart((frame.placement.shift_x_px, frame.placement.shift_y_px), there, frame)
    return apart is not None and apart < SMALL_STEP


Shift = tuple[float | None, float | None]


def _apart(one: Shift, other: Shift | None, frame: Frame) -> float | None:
    """Give the distance of two places as a share of the frame's sides, the larger of both."""
    if (
        other is None
        or None in (*one, *other)
        or not frame.identity.width
        or not frame.identity.height
    ):
        return None
    x, y = (abs((a or 0.0) - (b or 0.0)) for a, b in zip(one, other, strict=True))
    return max(x / frame.identity.width, y / frame.identity.height)


def _shift(frames: Sequence[Frame]) -> tuple[float, float] | None:
    x, y = (
        _median(f.placement.shift_x_px for f in frames),
        _median(f.placement.shift_y_px for f in frames),
    )
    return None if x is None or y is None else (x, y)


def _floor(narrow_px: float | None, floor_px: float | None) -> float:
    if floor_px is not None:
        return FLOOR_SHARE * floor_px
    return FLOOR_SHARE * narrow_px if narrow_px is not None else 0.0


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(median(known)) if len(known) >= ENOUGH else None


def _middle(values: Iterable[complex | None]) -> complex | None:
    """Median by components over the rounder half: trails must not pass as the rig's own."""
    known = sorted((v for v in values if v is not None), key=abs)
    half = known[: max(ENOUGH, (len(known) + 1) // 2)]
    if len(half) < ENOUGH:
        return None
    return complex(median(v.real for v in half), median(v.imag for v in half))
