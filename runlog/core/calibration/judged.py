"""Whether calibration frames are fit for use, by their levels: reasons, set by set.

A set is the single frames of one kind, night and setting. Masters are not judged: what went into
them can no longer be told. Limits are common practice, no source, unless one says otherwise.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from statistics import median

from runlog.core.calibration import judged_words as say
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Kind

FULL_SHARE = 0.97  # of the ceiling: the brightest hundredth of a flat is full there
NEAR_FULL_SHARE = 0.85  # sensors are not linear up to the top
FAINT_SHARE = 0.08  # of the span above zero; a third to a half of it is wanted
UNEVEN_SHARE = 0.15  # levels of a set of flats, half of the span over the middle
STEEPER = 0.05  # of the level: brightest less faintest ninth, against the rig's other sets
COLD_C = 1.0  # between what was set and what the sensor had
FEWEST_SETS = 3  # others, to say what is usual
FEWEST_FRAMES = 3  # to say what a set has in common
# Levels of frames without light are medians of many pixels: whole steps of the camera, which are
# about as large as its noise, and its wandering are larger than their errors.
LEAST_ADU, OF_NOISE = 3.0, 1.5


NO_CEILING, UNKNOWN_SHADOWS = "no-ceiling", "shadows-unknown"  # what cannot be told


@dataclass(frozen=True, slots=True)
class LevelFrame:
    """One calibration frame with its levels, in ADU."""

    kind: Kind
    rig: str
    rig_id: int
    sensor: Sensor
    night: str
    filter: str
    exposure_s: float | None
    set_c: float | None
    sensor_c: float | None
    taken_at_utc: datetime | None
    median_adu: float
    noise_adu: float
    low_adu: float
    high_adu: float
    ceiling_adu: float | None
    span_adu: float | None  # brightest ninth less faintest ninth

    @property
    def cold_c(self) -> int | None:
        """The temperature it is filed under."""
        known = self.sensor_c if self.set_c is None else self.set_c
        return None if known is None else round(known)

    @property
    def sound(self) -> bool:
        """Tell whether any pixel of it was a number."""
        return isfinite(self.median_adu) and isfinite(self.noise_adu)


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason to doubt a set of calibration frames."""

    code: str
    text: str
    frames: int  # that it is about
    of: int  # in the set
    one: LevelFrame  # of the set: whose, when, and how it was taken

    @property
    def unknown(self) -> bool:
        """Tell whether it only says what cannot be told."""
        return self.code in (NO_CEILING, UNKNOWN_SHADOWS)

    @property
    def in_words(self) -> str:
        """Say it with what it is about."""
        return f"{say.of_set(self.one)}: {self.text}"


Set = Sequence[LevelFrame]


@dataclass(frozen=True, slots=True)
class Numbers:
    """What a set is compared by, in ADU; reckoned once, however many are compared with it."""

    level: float
    side: float | None  # brightest ninth less faintest ninth
    steepness: float | None  # of flats: that, as a share of their light


def judge(frames: Iterable[LevelFrame]) -> list[Finding]:
    """Judge all calibration frames of an archive, set by set, in order of rig, kind and night."""
    sets = _sets([f for f in frames if f.sound])
    levels = _zero_levels(sets.values())
    numbers: dict[tuple[object, ...], dict[tuple[object, ...], Numbers]] = {}  # by what compares
    for key, own in sets.items():
        zero_adu = levels.get(_setting(own[0]))
        numbers.setdefault(_compared(own[0]), {})[key] = _numbers(own, zero_adu)
    found: list[Finding] = []
    for key in sorted(sets, key=_order):
        own = sets[key]
        alike = numbers[_compared(own[0])]
        others = [each for k, each in alike.items() if k != key]
        found += _of_set(own, alike[key], others, levels.get(_setting(own[0])))
    return found


def _sets(frames: Sequence[LevelFrame]) -> dict[tuple[object, ...], list[LevelFrame]]:
    sets: dict[tuple[object, ...], list[LevelFrame]] = {}
    for f in sorted(frames, key=_in_time):
        sets.setdefault((f.night, *_compared(f)), []).append(f)
    return sets


def _in_time(f: LevelFrame) -> tuple[str, float, float, float]:
    start = 0.0 if f.taken_at_utc is None else f.taken_at_utc.timestamp()
    return f.rig, start, f.exposure_s or 0.0, f.median_adu


def _order(key: tuple[object, ...]) -> tuple[str, ...]:
    return tuple(map(str, (key[2], key[1], *key[3:], key[0])))


def _compared(f: LevelFrame) -> tuple[object, ...]:
    """Name the sets whose levels compare. Flats are exposed as long as the light asks for."""
    if f.kind is Kind.FLAT:
        return f.kind, f.rig_id, f.sensor, f.filter
    if f.kind is Kind.BIAS:
        return f.kind, f.rig_id, f.sensor
    return f.kind, f.rig_id, f.sensor, f.exposure_s, f.cold_c


def _setting(f: LevelFrame) -> tuple[object, ...]:
    return f.rig_id, f.sensor


def _zero_levels(sets: Iterable[Set]) -> Mapping[tuple[object, ...], float]:
    """Give the level without light of each setting: of its bias frames, all nights alike."""
    found: dict[tuple[object, ...], list[float]] = {}
    for own in sets:
        if own[0].kind is Kind.BIAS:
            found.setdefault(_setting(own[0]), []).append(_level(own))
    return {setting: median(levels) for setting, levels in found.items()}


def _level(own: Set) -> float:
    return median(f.median_adu for f in own)


def _numbers(own: Set, zero_adu: float | None) -> Numbers:
    return Numbers(_level(own), _side(own), _steepness(own, zero_adu))


def _of_set(
    own: Set, here: Numbers, others: Sequence[Numbers], zero_adu: float | None
) -> Iterator[Finding]:
    if own[0].kind is Kind.FLAT:
        yield from _of_flats(own, here, others, zero_adu)
    else:
        yield from _of_zeros(own, here, others, zero_adu)


def _finding(code: str, text: str, own: Set, hit: Set | None = None) -> Finding:
    return Finding(code, text, len(own if hit is None else hit), len(own), own[0])


def _hit(
    own: Set, code: str, is_hit: Callable[[LevelFrame], bool], text: Callable[[Set], str]
) -> Iterator[Finding]:
    hit = [f for f in own if is_hit(f)]
    if hit:
        yield _finding(code, text(hit), own, hit)


# --- flats ----------------------------------------------------------------------------------


def _of_flats(
    own: Set, here: Numbers, others: Sequence[Numbers], zero_adu: float | None
) -> Iterator[Finding]:
    if own[0].ceiling_adu is None:
        yield _finding(NO_CEILING, say.NO_CEILING, own)
    yield from _hit(own, "clipped", _is_full, lambda hit: say.clipped(len(hit), len(own), hit[0]))
    near = [f for f in own if not _is_full(f) and _share(f, zero_adu) > NEAR_FULL_SHARE]
    if near:
        share = max(_share(f, zero_adu) for f in near)
        yield _finding("near-full", say.near_full(len(near), len(own), share), own, near)
    faint = [f for f in own if 0 <= _share(f, zero_adu) < FAINT_SHARE]
    if faint:
        share, grain = min(_share(f, zero_adu) for f in faint), _grain(faint, zero_adu)
        text = say.faint(len(faint), len(own), share, grain, zero_adu is None)
        yield _finding("faint", text, own, faint)
    yield from _uneven(own, zero_adu)
    yield from _steeper(own, here.steepness, others)


def _is_full(f: LevelFrame) -> bool:
    """Full at the ceiling told, or flattened below it: a sky full of light still has noise."""
    if f.ceiling_adu is not None and f.high_adu >= FULL_SHARE * f.ceiling_adu:
        return True
    return f.noise_adu == 0 and f.median_adu > 0


def _share(f: LevelFrame, zero_adu: float | None) -> float:
    """Give the level as a share of the span above zero; -1 where the ceiling is unknown."""
    zero = zero_adu or 0.0
    if f.ceiling_adu is None or f.ceiling_adu <= zero:
        return -1.0
    return max(f.median_adu - zero, 0.0) / (f.ceiling_adu - zero)


def _grain(frames: Set, zero_adu: float | None) -> float | None:
    """Give a pixel's noise as a share of its light, of the faintest frame."""
    faintest = min(frames, key=lambda f: f.median_adu)
    light = faintest.median_adu - (zero_adu or 0.0)
    return faintest.noise_adu / light if light > 0 else None


def _light(f: LevelFrame, zero_adu: float | None) -> float:
    return f.median_adu - (zero_adu or 0.0)


def _uneven(own: Set, zero_adu: float | None) -> Iterator[Finding]:
    """Tell a lamp that wanders from a sky that brightens or darkens all the way."""
    lights = [_light(f, zero_adu) for f in own if not _is_full(f)]
    if len(lights) < FEWEST_FRAMES or median(lights) <= 0:
        return
    spread = (max(lights) - min(lights)) / 2 / median(lights)
    if spread > UNEVEN_SHARE:
        one_way = lights in (sorted(lights), sorted(lights, reverse=True))
        dated = all(f.taken_at_utc is not None for f in own)
        text = say.uneven(min(lights), max(lights), one_way=one_way and dated)
        yield _finding("uneven", text, own)


def _steepness(own: Set, zero_adu: float | None) -> float | None:
    known = [
        f.span_adu / light
        for f in own
        if f.span_adu is not None and (light := _light(f, zero_adu)) > 0 and not _is_full(f)
    ]
    return median(known) if known else None


def _steeper(own: Set, here: float | None, others: Sequence[Numbers]) -> Iterator[Finding]:
    """Hold the fall of light over the frame against other nights': optics make one of their own."""
    there = [o.steepness for o in others if o.steepness is not None]
    if here is None or len(there) < FEWEST_SETS:
        return
    usual = median(there)
    if abs(here - usual) > STEEPER:
        yield _finding("gradient", say.gradient(here, usual, len(there)), own)


# --- frames without light -------------------------------------------------------------------


def _of_zeros(
    own: Set, here: Numbers, others: Sequence[Numbers], zero_adu: float | None
) -> Iterator[Finding]:
    yield from _hit(own, "temperature", _is_warm, say.temperature)
    yield from _hit(
        own, "cut-at-zero", lambda f: f.low_adu <= 0, lambda hit: say.cut(len(hit), len(own))
    )
    if own[0].kind is Kind.BIAS:
        yield from _drift(own, here, others)
    else:
        yield from _light_in_them(own, here, others)
        yield from _below_zero(own, here, zero_adu)


def _is_warm(f: LevelFrame) -> bool:
    return f.set_c is not None and f.sensor_c is not None and abs(f.sensor_c - f.set_c) > COLD_C


def _tolerance(own: Set) -> float:
    return max(LEAST_ADU, OF_NOISE * median(f.noise_adu for f in own))


def _drift(own: Set, here: Numbers, others: Sequence[Numbers]) -> Iterator[Finding]:
    if len(others) < FEWEST_SETS:
        return
    usual = median(o.level for o in others)
    if abs(here.level - usual) > _tolerance(own):
        yield _finding("drift", say.drift(here.level, usual, len(others)), own)


def _light_in_them(own: Set, here: Numbers, others: Sequence[Numbers]) -> Iterator[Finding]:
    """Find darks brighter than their own set or than other nights', whole or on one side.

    A sensor's own glow is in every dark of it and passes; so does a leak that always was there.
    """
    limit = _tolerance(own)
    low = min(f.median_adu for f in own)
    bright = [f for f in own if f.median_adu - low > limit]
    if bright and len(own) >= FEWEST_FRAMES:
        most = max(f.median_adu for f in bright)
        yield _finding("light", say.light_within(len(bright), len(own), low, most), own, bright)
    if len(others) < FEWEST_SETS:
        return
    usual = median(o.level for o in others)
    if here.level - usual > limit:
        yield _finding("light", say.light_beside(here.level, usual, len(others)), own)
    sides = [o.side for o in others if o.side is not None]
    if here.side is not None and sides and here.side - median(sides) > limit:
        yield _finding("light-on-one-side", say.one_side(here.side, median(sides)), own)


def _side(own: Set) -> float | None:
    known = [f.span_adu for f in own if f.span_adu is not None]
    return median(known) if known else None


def _below_zero(own: Set, here: Numbers, zero_adu: float | None) -> Iterator[Finding]:
    """Find darks darker than bias frames of the setting they name: one of the two is not so."""
    if zero_adu is not None and zero_adu - here.level > _tolerance(own):
        yield _finding("below-bias", say.below_bias(here.level, zero_adu), own)
