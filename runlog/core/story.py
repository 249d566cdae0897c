"""The story of a night: events in time order, and a verdict for each part of the rig."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from statistics import median

from runlog.core.frame import FaultName, Grade, RunFrame, Verdict

PAUSE_LEAST_S = 600.0  # a refocus, a flip and a plate solve together take less
PAUSE_TIMES_USUAL = 5.0
COOLING_OFF_C = 2.0  # dark current changes by about a quarter in 2 C (common practice, no source)
REFOCUS_LEAST_STEPS = 5  # less is temperature compensation or backlash
REFOCUS_GAIN = 0.9  # stars at least a tenth narrower after the focuser moved
STRETCH_HOLE = 1  # one good frame does not end a stretch of trouble


class Part(StrEnum):
    """A part of the rig, the sky or the plan that gets a verdict."""

    TRACKING = "tracking"
    FOCUS = "focus"
    POINTING = "pointing"
    CAMERA = "camera"
    SKY = "sky"
    OPTICS = "optics"
    SCHEDULE = "schedule"


class Opinion(StrEnum):
    """How a part of the rig did."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class PartVerdict:
    """An opinion with its evidence in words."""

    verdict: Opinion
    evidence: str


@dataclass(frozen=True, slots=True)
class Told:
    """One light frame with its verdict and the grade in force."""

    frame: RunFrame
    verdict: Verdict
    grade: Grade

    @property
    def start(self) -> datetime:
        """Start of exposure; the story holds only dated frames."""
        assert self.frame.taken_at_utc is not None
        return self.frame.taken_at_utc

    @property
    def end(self) -> datetime:
        """End of exposure."""
        return self.start + timedelta(seconds=self.frame.exposure_s or 0.0)

    def has(self, *names: FaultName) -> bool:
        """Tell whether one of these faults was found."""
        return any(fault.name in names for fault in self.verdict.faults)

    @property
    def lost_s(self) -> float:
        """Exposure time that does not count as kept."""
        return 0.0 if self.grade is Grade.KEEP else self.frame.exposure_s or 0.0


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, over which frames, and what it cost."""

    kind: str
    start: datetime
    end: datetime
    first: str  # content keys
    last: str
    frames: int
    cost_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Pace:
    """How the time between the first and last frame was used."""

    first: datetime
    last: datetime
    open_shutter_s: float
    elapsed_s: float
    overhead_median_s: float | None


@dataclass(frozen=True, slots=True)
class Story:
    """What happened in one run."""

    events: tuple[Event, ...]
    verdicts: dict[Part, PartVerdict]
    pace: Pace | None


def tell(told: Iterable[Told]) -> Story:
    """Tell the story of a run's light frames; the order they come in does not matter."""
    dated = [t for t in told if t.frame.taken_at_utc is not None]
    lights = sorted(dated, key=lambda t: (t.start, t.frame.key))
    events = sorted(
        (event for find in FINDERS for event in find(lights)), key=lambda e: (e.start, e.kind)
    )
    pace = pace_of(lights)
    return Story(tuple(events), _verdicts(lights, pace), pace)


# --- pace -----------------------------------------------------------------------------------


def pace_of(lights: Sequence[Told]) -> Pace | None:
    """Measure open-shutter time, elapsed time and the usual gap between exposures."""
    if not lights:
        return None
    gaps = gaps_s(lights)
    first, last = lights[0].start, max(t.end for t in lights)
    return Pace(
        first,
        last,
        sum(t.frame.exposure_s or 0.0 for t in lights),
        (last - first).total_seconds(),
        median(gaps) if gaps else None,
    )


def gaps_s(lights: Sequence[Told]) -> list[float]:
    """Seconds from the end of each exposure to the start of the next."""
    return [max((b.start - a.end).total_seconds(), 0.0) for a, b in pairwise(lights)]


# --- events ---------------------------------------------------------------------------------


def _stretches(
    lights: Sequence[Told], troubled: Callable[[Told], bool], least: int
) -> Iterator[list[Told]]:
    """Find runs of frames in trouble, bridging single frames that are not."""
    current: list[Told] = []
    hole = 0
    for light in lights:
        if troubled(light):
            current.append(light)
            hole = 0
            continue
        hole += 1
        if hole > STRETCH_HOLE and current:
            yield from [current] if len(current) >= least else []
            current = []
    if len(current) >= least:
        yield current


def _event(kind: str, stretch: Sequence[Told], text: str) -> Event:
    return Event(
        kind,
        stretch[0].start,
        stretch[-1].end,
        stretch[0].frame.key,
        stretch[-1].frame.key,
        len(stretch),
        sum(t.lost_s for t in stretch),
        text,
    )


def _worst(stretch: Sequence[Told], name: FaultName) -> str:
    """Quote the evidence of the worst frame of a stretch: a reject before a doubtful one."""
    found = [f for t in stretch for f in t.verdict.faults if f.name is name]
    rejected = [f for f in found if f.grade is Grade.REJECT]
    return (rejected or found)[0].evidence


def _clouds(lights: Sequence[Told]) -> Iterator[Event]:
    for stretch in _stretches(lights, lambda t: t.has(FaultName.CLOUD), least=1):
        yield _event("cloud", stretch, f"cloud: {_worst(stretch, FaultName.CLOUD)}")


def _trailing(lights: Sequence[Told]) -> Iterator[Event]:
    for stretch in _stretches(lights, lambda t: t.has(FaultName.TRAILED), least=1):
        yield _event("trailing", stretch, f"trailed stars: {_worst(stretch, FaultName.TRAILED)}")


def _focus_drift(lights: Sequence[Told]) -> Iterator[Event]:
    for stretch in _stretches(lights, lambda t: t.has(FaultName.DEFOCUSED), least=1):
        cooled = _cooling(stretch)
        text = f"out of focus: {_worst(stretch, FaultName.DEFOCUSED)}{cooled}"
        yield _event("focus-drift", stretch, text)


def _cooling(stretch: Sequence[Told]) -> str:
    first, last = stretch[0].frame.focus_c, stretch[-1].frame.focus_c
    if first is None or last is None or abs(last - first) < 0.3:
        return ""
    return f"; the focuser went from {first:.1f} to {last:.1f} C meanwhile"


def _refocus(lights: Sequence[Told]) -> Iterator[Event]:
    for a, b in pairwise(lights):
        before, after = a.frame.focus_pos, b.frame.focus_pos
        if before is None or after is None or a.frame.filter != b.frame.filter:
            continue
        if abs(after - before) < REFOCUS_LEAST_STEPS:
            continue
        wide, narrow = a.frame.fwhm_px, b.frame.fwhm_px
        if wide and narrow and narrow <= REFOCUS_GAIN * wide:
            text = (
                f"refocused: the focuser moved from {before:.0f} to {after:.0f} and FWHM fell "
                f"from {wide:.1f} to {narrow:.1f} px"
            )
            yield _event("refocus", [b], text)


def _flips(lights: Sequence[Told]) -> Iterator[Event]:
    for a, b in pairwise(lights):
        sides = a.frame.pier_side, b.frame.pier_side
        if None not in sides and sides[0] != sides[1] and a.frame.target == b.frame.target:
            minutes = (b.start - a.end).total_seconds() / 60
            text = f"meridian flip: pier side {sides[0]} to {sides[1]}, {minutes:.0f} min idle"
            yield _event("flip", [a, b], text)


def _pauses(lights: Sequence[Told]) -> Iterator[Event]:
    gaps = gaps_s(lights)
    if not gaps:
        return
    long = max(PAUSE_LEAST_S, PAUSE_TIMES_USUAL * median(gaps))
    for (a, b), gap_s in zip(pairwise(lights), gaps, strict=True):
        if gap_s >= long:
            text = f"pause: no light frame for {gap_s / 60:.0f} min"
            yield Event("pause", a.end, b.start, a.frame.key, b.frame.key, 0, gap_s, text)


def _moon(lights: Sequence[Told]) -> Iterator[Event]:
    for a, b in pairwise(lights):
        before, after = a.frame.moon_alt_deg, b.frame.moon_alt_deg
        if before is None or after is None or (before > 0) == (after > 0):
            continue
        kind, word = ("moonrise", "rose") if after > 0 else ("moonset", "set")
        yield _event(kind, [b], f"the Moon {word}")


def _dawn(lights: Sequence[Told]) -> Iterator[Event]:
    for stretch in _stretches(lights, _in_dawn, least=1):
        sun = stretch[-1].frame.sun_alt_deg
        if sun is not None:
            text = f"dawn: the Sun {-sun:.0f} degrees down at the last frame"
            yield _event("dawn", stretch, text)


def _in_dawn(light: Told) -> bool:
    sun = light.frame.sun_alt_deg
    return sun is not None and sun > -18 and light.has(FaultName.BRIGHT_SKY)


def _warm(lights: Sequence[Told]) -> Iterator[Event]:
    for stretch in _stretches(lights, _off_set_point, least=2):
        frame = stretch[0].frame
        text = (
            f"the cooler lost its set point: sensor {frame.sensor_c:.1f} C, set {frame.set_c:.1f}"
        )
        yield _event("cooling", stretch, text)


def _off_set_point(light: Told) -> bool:
    sensor, wanted = light.frame.sensor_c, light.frame.set_c
    return sensor is not None and wanted is not None and abs(sensor - wanted) > COOLING_OFF_C


FINDERS: tuple[Callable[[Sequence[Told]], Iterator[Event]], ...] = (
    _clouds, _trailing, _focus_drift, _refocus, _flips, _pauses, _moon, _dawn, _warm,
)  # fmt: skip


# --- verdicts -------------------------------------------------------------------------------


def _verdicts(lights: Sequence[Told], pace: Pace | None) -> dict[Part, PartVerdict]:
    measured = [t for t in lights if t.frame.fwhm_px is not None]
    return {
        Part.TRACKING: _by_share(measured, "trailed", FaultName.TRAILED, FaultName.DOUBLED),
        Part.FOCUS: _by_share(measured, "out of focus", FaultName.DEFOCUSED),
        Part.POINTING: PartVerdict(Opinion.UNKNOWN, "frames are not yet matched to one another"),
        Part.CAMERA: _camera(lights),
        Part.SKY: _by_share(
            [t for t in lights if t.frame.stars is not None],
            "under cloud, bright sky or poor seeing",
            FaultName.CLOUD,
            FaultName.BRIGHT_SKY,
            FaultName.SOFT,
        ),
        Part.OPTICS: PartVerdict(Opinion.UNKNOWN, "needs the field maps of several nights"),
        Part.SCHEDULE: _schedule(pace),
    }


def _by_share(lights: Sequence[Told], words: str, *names: FaultName) -> PartVerdict:
    """Judge by the share of frames with a fault: none good, under a tenth fair, else poor."""
    if not lights:
        return PartVerdict(Opinion.UNKNOWN, "no frame with measured stars")
    hit = sum(t.has(*names) for t in lights)
    if not hit:
        return PartVerdict(Opinion.GOOD, f"none of {len(lights)} frames {words}")
    opinion = Opinion.FAIR if hit < 0.1 * len(lights) else Opinion.POOR
    return PartVerdict(opinion, f"{hit} of {len(lights)} frames {words}")


def _camera(lights: Sequence[Told]) -> PartVerdict:
    offsets = [
        abs(t.frame.sensor_c - t.frame.set_c)
        for t in lights
        if t.frame.sensor_c is not None and t.frame.set_c is not None
    ]
    if not offsets:
        return PartVerdict(Opinion.UNKNOWN, "the headers do not give sensor and set temperature")
    worst = max(offsets)
    opinion = Opinion.GOOD if worst <= COOLING_OFF_C else Opinion.POOR
    return PartVerdict(opinion, f"the sensor stayed within {worst:.1f} C of its set point")


def _schedule(pace: Pace | None) -> PartVerdict:
    if pace is None or pace.elapsed_s <= 0:
        return PartVerdict(Opinion.UNKNOWN, "no dated light frame")
    share = pace.open_shutter_s / pace.elapsed_s
    opinion = Opinion.GOOD if share >= 0.85 else Opinion.FAIR if share >= 0.7 else Opinion.POOR
    gap = pace.overhead_median_s
    usual = f"; {gap:.0f} s between exposures" if gap is not None else ""
    return PartVerdict(opinion, f"shutter open {share:.0%} of the time from first to last{usual}")
