"""What a rig's own log says of the best length: sky, read noise, overhead, spoiling, clipping."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import median

from runlog.core.frame import FaultName, Frame, Grade, Kind, Stage
from runlog.core.plan.cadence import PAUSE_S
from runlog.core.worth.sub_length import Conditions, electrons_of_sky, spoiling_rate

FEWEST = 5  # frames that tell a sky
SPELL = 4  # spoilt frames in a row: wind or a fault that stays spoils any length
SPOILT_BY = (FaultName.TRAILED, FaultName.DOUBLED)  # a streak is rejected when frames are stacked
RAWEST = (Stage.RAW, Stage.CALIBRATED)  # of others the noise is that of mixed pixels


@dataclass(frozen=True, slots=True)
class Setting:
    """Frames whose length is one question: rig, filter, and what the read noise hangs on."""

    rig: str
    filter: str
    gain: float | None
    readout_mode: str | None
    binning: int

    @property
    def words(self) -> str:
        """Say what of it is set beside the filter."""
        parts = [f"gain {self.gain:g}"] if self.gain is not None else []
        parts += [self.readout_mode] if self.readout_mode else []
        return ", ".join([*parts, *([f"binning {self.binning}"] if self.binning > 1 else [])])


def setting_of(frame: Frame) -> Setting:
    """Name the setting a frame was taken with."""
    header, where = frame.header, frame.context
    return Setting(
        where.rig, where.filter, header.gain, header.readout_mode or None, header.binning_x
    )


@dataclass(frozen=True, slots=True)
class Spoiling:
    """How often exposures were spoilt, and in how long a time of open shutter."""

    rate_a_s: float
    frames: int  # spoilt one by one
    in_spells: int  # spoilt in spells, which say nothing of the length
    open_s: float


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of a setting; None with the reason where something is not."""

    setting: Setting
    frames: int
    usual_s: float | None  # the length most of them have
    sky_e_s: float | None = None
    read_noise_e: float | None = None
    read_noise_from: str | None = None
    overhead_s: float | None = None
    spoiling: Spoiling | None = None
    clip_s: float | None = None  # from here on half of the brightest stars are clipped
    clipped_stars: float | None = None  # at the usual length
    why: str = ""

    @property
    def conditions(self) -> Conditions | None:
        """What the best length hangs on; None where a part is unknown."""
        if self.why or self.sky_e_s is None or self.read_noise_e is None:
            return None
        if self.overhead_s is None or self.spoiling is None:
            return None
        rate = self.spoiling.rate_a_s
        return Conditions(self.sky_e_s, self.read_noise_e, self.overhead_s, rate)


def records(
    chosen: Sequence[Frame], lights: Sequence[Frame], levels: Sequence[Frame]
) -> Iterator[Record]:
    """Gather each setting of the lights chosen, by name.

    `lights` are all lights of their rigs, for what hangs on no filter; `levels` bias and dark
    frames, for the read noise and the level at which pixels are full.
    """
    groups: dict[Setting, list[Frame]] = {}
    for frame in chosen:
        groups.setdefault(setting_of(frame), []).append(frame)
    for setting in sorted(groups, key=lambda s: (s.rig, s.filter, s.words)):
        rig = [frame for frame in lights if frame.context.rig == setting.rig]
        yield _record(setting, groups[setting], rig, [f for f in levels if _is_like(f, setting)])


def _is_like(frame: Frame, setting: Setting) -> bool:
    own = setting_of(frame)
    return (own.rig, own.gain, own.readout_mode, own.binning) == (
        setting.rig, setting.gain, setting.readout_mode, setting.binning
    )  # fmt: skip


def _record(
    setting: Setting, own: Sequence[Frame], rig: Sequence[Frame], levels: Sequence[Frame]
) -> Record:
    kept = [f for f in own if f.judgement.grade is Grade.KEEP and f.header.stage in RAWEST]
    noise, source = _read_noise(own, levels)
    egains = {f.header.egain_e_adu for f in kept}
    usual_s = _usual_s(own)
    sky = None if noise is None else _sky(kept, noise)
    overhead = _overhead_s(rig, setting.filter)
    return Record(
        setting, len(own), usual_s, sky, noise, source, overhead, _spoiling(rig),
        _clip_s(kept, levels), _median(f.measurement.clipped_stars for f in kept),
        _why(kept, egains, noise, sky, overhead),
    )  # fmt: skip


def _why(
    kept: Sequence[Frame],
    egains: set[float | None],
    noise: float | None,
    sky: float | None,
    overhead: float | None,
) -> str:
    """Say what is missing, the first of it."""
    if len(kept) < FEWEST:
        return f"fewer than {FEWEST} unprocessed frames are kept"
    if None in egains:
        return "the electrons per ADU are unknown (no EGAIN in the header)"
    if noise is None:
        return "the read noise is unknown: no RDNOISE in the header, no bias frame of this setting"
    if sky is None:
        return "the noise of its frames is no more than the read noise"
    return "no two frames follow one another: the time lost between them is unknown" * (
        overhead is None
    )


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(median(known)) if known else None


def _usual_s(own: Sequence[Frame]) -> float | None:
    times = [f.header.exposure_s for f in own if f.header.exposure_s]
    return min(set(times), key=lambda t: (-times.count(t), t)) if times else None


def _read_noise(own: Sequence[Frame], levels: Sequence[Frame]) -> tuple[float | None, str | None]:
    """Take it from the header, else from bias frames: noise among the pixels of one, in electrons.

    What pattern a bias has counts as read noise, too: it is in the lights as well.
    """
    told = _median(f.header.read_noise_e for f in own)
    if told is not None:
        return told, "header"
    bias = (
        f.measurement.level.noise_adu * f.header.egain_e_adu
        for f in levels
        if f.context.kind is Kind.BIAS and f.measurement.level and f.header.egain_e_adu
    )
    found = _median(bias)
    return (found, "bias frames") if found else (None, None)


def _sky(kept: Sequence[Frame], noise_e: float) -> float | None:
    """Give the usual light of the background by its noise, electrons a pixel and second."""
    found = _median(
        electrons_of_sky((got.noise_adu * h.egain_e_adu) ** 2, noise_e, h.exposure_s)
        for got, h in ((f.measurement, f.header) for f in kept)
        if got.noise_adu and h.egain_e_adu and h.exposure_s
    )
    return found if found is not None and found > 0 else None


def _runs(rig: Sequence[Frame]) -> Iterator[list[Frame]]:
    dated = [f for f in rig if f.header.taken_at_utc is not None]
    dated.sort(key=lambda f: (f.context.run_id, f.header.taken_at_utc, f.key))
    for _, run in groupby(dated, key=lambda f: f.context.run_id):
        yield list(run)


def _overhead_s(rig: Sequence[Frame], name: str) -> float | None:
    """Give the usual time from the end of a frame to the start of the next one of a filter."""
    gaps = (
        (b.header.taken_at_utc - a.header.taken_at_utc).total_seconds()
        - (a.header.exposure_s or 0.0)
        for run in _runs(rig)
        for a, b in pairwise(run)
        if b.context.filter == name and a.header.taken_at_utc and b.header.taken_at_utc
    )
    return _median(gap for gap in gaps if 0 <= gap <= PAUSE_S)


def _spoiling(rig: Sequence[Frame]) -> Spoiling:
    good: list[float] = []
    spoilt: list[float] = []
    in_spells = 0
    for run in _runs(rig):
        for bad, members in groupby(run, key=_is_spoilt):
            times = [f.header.exposure_s for f in members if f.header.exposure_s]
            if not bad:
                good += times
            elif len(times) < SPELL:
                spoilt += times
            else:
                in_spells += len(times)
    return Spoiling(spoiling_rate(good, spoilt), len(spoilt), in_spells, sum(good) + sum(spoilt))


def _is_spoilt(frame: Frame) -> bool:
    faults = frame.judgement.faults
    return any(f.name in SPOILT_BY and f.grade is not Grade.KEEP for f in faults)


def _clip_s(kept: Sequence[Frame], levels: Sequence[Frame]) -> float | None:
    """Give the length at which half of the brightest stars would reach what a pixel can hold."""
    full = [
        f.measurement.level.ceiling_adu
        for f in levels
        if f.measurement.level and f.measurement.level.ceiling_adu
    ]
    if not full:
        return None
    found = _median(_clip_of(frame, min(full)) for frame in kept)
    return found if found and found > 0 else None


def _clip_of(frame: Frame, full_adu: float) -> float | None:
    got, zero, time_s = frame.measurement, frame.context.pedestal_adu, frame.header.exposure_s
    if None in (got.peak_adu, got.background_adu, zero) or not time_s:
        return None
    assert got.peak_adu is not None and got.background_adu is not None and zero is not None
    lit = got.peak_adu + got.background_adu - zero
    return time_s * (full_adu - zero) / lit if lit > 0 else None
