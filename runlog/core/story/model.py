"""What the story is told from, and what it is made of."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from runlog.core.frame import FaultName, Frame, Grade, Kind, Verdict
from runlog.core.story.phrases import common as say

HOLE = 1  # one frame without trouble does not end a stretch of it
FAIR_BELOW = 0.1  # share of frames in trouble


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
    check: str = ""  # what to look at before the next night


@dataclass(frozen=True, slots=True)
class ToCheck:
    """What to look at before the next night."""

    part: Part
    words: str

    def __str__(self) -> str:
        return f"{self.part.value}: {self.words}"


@dataclass(frozen=True, slots=True)
class GradedLight:
    """One dated light frame with its verdict and the grade in force."""

    frame: Frame
    verdict: Verdict
    grade: Grade

    @property
    def start(self) -> datetime:
        """Start of exposure; the story holds only dated frames."""
        assert self.frame.header.taken_at_utc is not None
        return self.frame.header.taken_at_utc

    @property
    def end(self) -> datetime:
        """End of exposure."""
        return self.start + timedelta(seconds=self.frame.header.exposure_s or 0.0)

    def has(self, *names: FaultName) -> bool:
        """Tell whether one of these faults was found."""
        return any(fault.name in names for fault in self.verdict.faults)

    @property
    def lost_to(self) -> FaultName | None:
        """The fault that weighs: the worst grade first, then in the causes' order."""
        costly = (f.name for f in self.verdict.faults if f.grade is not Grade.KEEP)
        return next(costly, None)

    @property
    def lost_s(self) -> float:
        """Exposure time that does not count as kept."""
        return 0.0 if self.grade is Grade.KEEP else self.frame.header.exposure_s or 0.0


Dark = tuple[datetime, datetime]
MoonCrossing = tuple[datetime, bool]  # when its upper limb is on the horizon; whether it rises


@dataclass(frozen=True, slots=True)
class Taken:
    """A frame of another kind than light, when it was taken."""

    kind: Kind
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Night:
    """What a run's sky and its other frames were: where and when it was dark, where known."""

    dark: Dark | None = None
    doubt: str = ""  # why nothing is known of Sun and Moon
    undated: int = 0  # lights that tell no time
    place: tuple[float, float] | None = None  # latitude and longitude, degrees, east positive
    moon: Sequence[MoonCrossing] = ()
    others: Sequence[Taken] = ()


@dataclass(frozen=True, slots=True)
class Pace:
    """How the time between the first and last frame was used."""

    first: datetime
    last: datetime
    open_shutter_s: float
    elapsed_s: float
    overhead_median_s: float | None

    @property
    def share_open(self) -> float:
        """Share of the time from first to last that the shutter was open."""
        return self.open_shutter_s / self.elapsed_s if self.elapsed_s else 0.0


MOMENTS = ("refocus", "flip", "jump", "turned", "moonrise", "moonset")  # over as soon as they begin


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

    @property
    def is_moment(self) -> bool:
        """Whether it is over as soon as it begins."""
        return self.kind in MOMENTS


Lights = Sequence[GradedLight]


def event(kind: str, stretch: Lights, text: str, *, costs: bool = True) -> Event:
    """Make an event of a stretch of frames; what each of them was lost to is settled later.

    See `charged`: an event pays for the frames whose cause it is, and no frame is paid for twice.
    """
    return Event(
        kind,
        stretch[0].start,
        stretch[-1].end,
        stretch[0].frame.key,
        stretch[-1].frame.key,
        len(stretch),
        sum(t.lost_s for t in stretch) if costs else 0.0,
        text,
    )


def stretches(
    lights: Lights, troubled: Callable[[GradedLight], bool], least: int = 1
) -> Iterator[list[GradedLight]]:
    """Find runs of frames in trouble, bridging single frames that are not."""
    current: list[GradedLight] = []
    hole = 0
    for light in lights:
        if troubled(light):
            current.append(light)
            hole = 0
            continue
        hole += 1
        if hole > HOLE and current:
            yield from [current] if len(current) >= least else []
            current = []
    if len(current) >= least:
        yield current


Measure = Callable[[Frame], float | None]


def worst_evidence(stretch: Lights, name: FaultName, value: Measure = lambda _: None) -> str:
    """Quote the evidence of a fault from the worst frame: by grade, then by a value."""
    found = [(t, f) for t in stretch for f in t.verdict.faults if f.name is name]
    _, fault = max(found, key=lambda e: (e[1].grade is Grade.REJECT, value(e[0].frame) or 0.0))
    return fault.evidence


def unknown(why: str) -> PartVerdict:
    """Say that a part cannot be judged, and why."""
    return PartVerdict(Opinion.UNKNOWN, say.unknown(why))


def comparable(lights: Lights, *shown: FaultName) -> Lights:
    """Keep the frames that had something to be compared with: the others show nothing.

    What needs no comparing, the faults `shown`, is there in a frame that is alone as well.
    """
    return [t for t in lights if t.has(*shown) or not _is_alone(t.verdict)]


def _is_alone(verdict: Verdict) -> bool:
    return verdict.alone or (verdict.grade is Grade.UNGRADED and not verdict.faults)


def not_comparable(lights: Lights) -> PartVerdict:
    """Say why nothing can be told of frames that were measured."""
    notes = [t.verdict.note for t in lights if t.verdict.note]
    alone = any(t.verdict.alone and t.frame.measurement.fwhm_px is not None for t in lights)
    otherwise = say.NOTHING_TO_COMPARE if alone else say.TOO_FEW_STARS
    return unknown(notes[0] if notes else otherwise)


STARS_TO_TELL = 5  # of tracking and focus: four may be anything


def starry(lights: Lights) -> Lights:
    """Keep the frames with enough stars to say something of all."""
    return [t for t in lights if (t.frame.measurement.stars or 0) >= STARS_TO_TELL]


def by_share(lights: Lights, hit: Callable[[GradedLight], bool], words: str) -> PartVerdict:
    """Judge by the share of frames in trouble: none good, under a tenth fair, else poor."""
    count = sum(map(hit, lights))
    few = Opinion.FAIR if count < FAIR_BELOW * len(lights) else Opinion.POOR
    opinion = few if count else Opinion.GOOD
    return PartVerdict(opinion, say.of_frames(count, len(lights), words))


def lost_by(hit: Lights, *names: FaultName) -> float:
    """Sum the time, in seconds, that is not kept of frames in trouble.

    With `names`, of those alone that were lost to one of these faults: the first that weighs.
    """
    return sum(light.lost_s for light in hit if not names or light.lost_to in names)
