"""How the dark was used: late starts, pauses, early stops, and the verdict on the schedule.

The dearest fault of an unattended night is dark in which nothing was taken. What the plan was is
not known here; dawn, a target that had set or had not risen and cloud are told apart from a rig
that stopped, and all else is said as it is seen.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import asin, cos, degrees, radians, sin
from statistics import median

from runlog.core.frame import FaultName
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg
from runlog.core.story.first_after import PAUSE_LEAST_S
from runlog.core.story.model import (
    Event,
    GradedLight,
    Lights,
    Night,
    Opinion,
    Pace,
    PartVerdict,
    unknown,
)
from runlog.core.story.phrases import schedule as say
from runlog.core.story.phrases.common import together
from runlog.core.story.phrases.sky import OBSTRUCTION_CHECK

OPEN_GOOD, OPEN_FAIR = 0.85, 0.7  # shutter open, share of the time from first to last
ENOUGH_FOR_PACE = 3  # frames, to speak of a usual time between two
PAUSE_TIMES_USUAL = 5.0
LOW_DEG = 30.0  # twice the air of the zenith: lower a target is given up (common practice)
WAIT_S = 3600.0  # targets are awaited some ten degrees above that
AWAITED_DEG = 40.0
SOON_LOW_S = 1800.0  # what a target that sinks would have given yet is not worth a word
MERIDIAN_S = 1200.0  # mounts turn over within so much of the meridian
MOON_S = 1800.0  # a plan that waits for the Moon's set, or ends with its rise
FAIR_SHARE, POOR_SHARE = 0.1, 0.2  # of the dark, unused; and so much of it, however long it is:
FAIR_S, POOR_S = 1800.0, 5400.0
EVERY = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class Idle:
    """Dark in which no light frame was taken, and what is known of why."""

    kind: str  # late-start or stopped
    light: GradedLight  # the first frame after it, or the last before
    start: datetime
    end: datetime
    unused_s: float  # what other frames did not take of it
    why: str = ""  # cloud, or the Moon: not the rig's doing
    seen: tuple[str, ...] = ()  # what is worth knowing beside it
    target: bool = False  # the target was not up: no fault, but dark all the same
    height_deg: float | None = None  # of the target, at that frame

    @property
    def words(self) -> str:
        """Say it in short."""
        if self.target:
            named, sank = self.light.frame.context.target, self.kind == "stopped"
            return say.target_low(named, sank, self.unused_s, self.height_deg)
        if self.kind == "stopped":
            return say.stopped(self.start, self.unused_s, self.why)
        return say.late_start(self.end, self.unused_s, self.why)

    def event(self) -> Event:
        """Tell it as an event that holds no frames; its keys are the frame beside it."""
        key = self.light.frame.key
        text = say.with_seen(self.words, self.seen)
        return Event(self.kind, self.start, self.end, key, key, 0, self.unused_s, text)


# --- events ---------------------------------------------------------------------------------


def idle_events(lights: Lights, night: Night) -> Iterator[Event]:
    """Tell a late start, pauses and an early stop."""
    yield from (idle.event() for idle in idles(lights, night) if not idle.target)
    yield from _pauses(lights, night)


def idles(lights: Lights, night: Night) -> list[Idle]:
    """Find the dark that was left unused before the first frame and after the last.

    A few frames alone may be tests of anything, and without a place it is not known when it is
    dark.
    """
    if night.dark is None or night.doubt or len(lights) < ENOUGH_FOR_PACE:
        return []
    least_s = max(_least_s(lights), _limit_s(FAIR_SHARE, FAIR_S, night))
    found = [_before(lights, night, night.dark), _after(lights, night, night.dark)]
    return [idle for idle in found if idle is not None and idle.unused_s >= least_s]


def _least_s(lights: Lights) -> float:
    """Give how much dark is too little for one frame more, a focus run and a plate solve."""
    longest_s = max(t.frame.header.exposure_s or 0.0 for t in lights)
    return max(PAUSE_LEAST_S, longest_s + median(_gaps(lights)))


def _gaps(lights: Lights) -> list[float]:
    """Measure the time from the end of all frames so far to the next start, in seconds."""
    gaps, end = [], lights[0].end
    for light in lights[1:]:
        gaps.append(max((light.start - end).total_seconds(), 0.0))
        end = max(end, light.end)
    return gaps


def _before(lights: Lights, night: Night, dark: tuple[datetime, datetime]) -> Idle | None:
    first, start = lights[0], dark[0]
    end = min(first.start, dark[1])
    if end <= start:
        return None
    up = _rose(first, night, start, end)
    return Idle(
        "late-start",
        first,
        start,
        end,
        _unused_s(start, end, night, _least_s(lights)),
        _clouded(lights[:2]) or _moon_set(night, first.start, start),
        tuple(_seen_before(first, night, start, up)),
        target=_awaited(lights, first, night, up),
        height_deg=_height_of(first, night, first.start),
    )


def _after(lights: Lights, night: Night, dark: tuple[datetime, datetime]) -> Idle | None:
    last = max(lights, key=lambda t: (t.end, t.frame.key))
    start, end = max(last.end, dark[0]), dark[1]
    if end <= start:
        return None
    return Idle(
        "stopped",
        last,
        start,
        end,
        _unused_s(start, end, night, _least_s(lights)),
        _clouded(lights[-2:]) or _moon_rose(night, last.end),
        tuple(_seen_after(lights, last, night)),
        target=_sets(lights, last, night),
        height_deg=_height_of(last, night, last.end),
    )


def _unused_s(start: datetime, end: datetime, night: Night, least_s: float) -> float:
    """Give the time in which nothing else was taken: darks, flats and focus frames are work.

    Between two of them there is none to spare, unless there is time for a light frame.
    """
    unused, at = 0.0, start
    for other in sorted(night.others, key=lambda o: (o.start, o.end)):
        if other.end <= at or other.start >= end:
            continue
        gap_s = (other.start - at).total_seconds()
        unused += gap_s if gap_s >= least_s else 0.0
        at = max(at, other.end)
    return unused + max((end - at).total_seconds(), 0.0)


def _pauses(lights: Lights, night: Night) -> Iterator[Event]:
    """Tell breaks that are long against the usual; they cost the dark in them, where it is known.

    A flip, a focus run and a plate solve together take less.
    """
    if len(lights) < 2:
        return
    gaps = _gaps(lights)
    long = max(PAUSE_LEAST_S, PAUSE_TIMES_USUAL * median(gaps))
    for (a, b), gap_s in zip(pairwise(lights), gaps, strict=True):
        if gap_s >= long:
            start, keys = b.start - timedelta(seconds=gap_s), (a.frame.key, b.frame.key)
            cost_s = _dark_s(start, b.start, night)
            turned = _sides(a, b)
            yield Event("pause", start, b.start, *keys, 0, cost_s, say.pause(gap_s, turned))


def _sides(a: GradedLight, b: GradedLight) -> bool:
    """Tell whether the mount turned over between two frames."""
    sides = a.frame.header.pier_side, b.frame.header.pier_side
    same = a.frame.context.target == b.frame.context.target
    return same and None not in sides and sides[0] != sides[1]


def _dark_s(start: datetime, end: datetime, night: Night) -> float:
    """Give how much of a span was dark, in seconds; all of it where that is not known."""
    if night.dark is None or night.doubt:
        return (end - start).total_seconds()
    dark = min(end, night.dark[1]) - max(start, night.dark[0])
    return max(dark.total_seconds(), 0.0)


# --- what is known of why -------------------------------------------------------------------


def height_deg(light: GradedLight, night: Night, at: datetime) -> float | None:
    """Give the altitude of what a frame points at, at a moment, to about half a degree.

    By its coordinates in the header, of whichever equinox; without them nothing is known of
    moments beside the frame itself.
    """
    header = light.frame.header
    angle = hour_angle_deg(light, night, at)
    if angle is None or header.dec_deg is None or night.place is None:
        return None
    latitude, dec = radians(night.place[0]), radians(header.dec_deg)
    sine = sin(latitude) * sin(dec) + cos(latitude) * cos(dec) * cos(radians(angle))
    return degrees(asin(max(-1.0, min(1.0, sine))))


def hour_angle_deg(light: GradedLight, night: Night, at: datetime) -> float | None:
    """Give the hour angle of what a frame points at, -180 to 180 degrees, west positive."""
    ra_deg = light.frame.header.ra_deg
    if ra_deg is None or night.place is None:
        return None
    sidereal = greenwich_sidereal_deg(days_since_j2000(at)) + night.place[1]
    return (sidereal - ra_deg + 180.0) % 360.0 - 180.0


def _height_of(light: GradedLight, night: Night, at: datetime) -> float | None:
    """Give the altitude of what a frame shows, at its start or end."""
    height = height_deg(light, night, at)
    return _by_airmass_deg(light) if height is None else height


def _by_airmass_deg(light: GradedLight) -> float | None:
    """Give a frame's altitude by its airmass: 1 / sin(altitude), good to a degree down to 15."""
    airmass = light.frame.context.airmass
    return degrees(asin(1.0 / airmass)) if airmass is not None and airmass >= 1.0 else None


def _rose(first: GradedLight, night: Night, start: datetime, end: datetime) -> datetime | None:
    """Give when the first frame's target rose past the lowest useful altitude in a span."""
    at = end
    while at > start:
        height = height_deg(first, night, at - EVERY)
        if height is None:
            return None
        if height < LOW_DEG:
            return at
        at -= EVERY
    return None


def _awaited(lights: Lights, first: GradedLight, night: Night, up: datetime | None) -> bool:
    """Tell whether the first frame came soon after its target was up."""
    if hour_angle_deg(first, night, first.start) is not None:
        return up is not None and (first.start - up).total_seconds() < WAIT_S
    own = [t for t in lights if t.frame.context.target == first.frame.context.target]
    then, later = _by_airmass_deg(first), _by_airmass_deg(own[-1])
    return then is not None and later is not None and then < min(later, AWAITED_DEG)


def _sets(lights: Lights, last: GradedLight, night: Night) -> bool:
    """Tell whether the last frame's target was low and sinking, or just about to be."""
    soon = height_deg(last, night, last.end + timedelta(seconds=SOON_LOW_S))
    if soon is not None:
        now = height_deg(last, night, last.end)
        return now is not None and soon < min(now, LOW_DEG)
    own = [t for t in lights if t.frame.context.target == last.frame.context.target]
    earlier, now = _by_airmass_deg(own[0]), _by_airmass_deg(last)
    return earlier is not None and now is not None and now < min(earlier, LOW_DEG)


def _clouded(beside: Lights) -> str:
    """Name what the sky did in the frames beside the idle dark."""
    if any(t.has(FaultName.CLOUD) for t in beside):
        return say.UNDER_CLOUD
    if any(t.has(FaultName.DEW) for t in beside):
        return say.UNDER_DEW
    return say.BEHIND if any(t.has(FaultName.OBSTRUCTED) for t in beside) else ""


def _moon_set(night: Night, first: datetime, dark: datetime) -> str:
    """Tell of a start that came with the Moon's set."""
    for at, rises in night.moon:
        if not rises and dark <= at and abs((first - at).total_seconds()) <= MOON_S:
            return say.moon_set(at)
    return ""


def _moon_rose(night: Night, last: datetime) -> str:
    """Tell of an end that came with the Moon's rise."""
    for at, rises in night.moon:
        if rises and abs((last - at).total_seconds()) <= MOON_S:
            return say.moon_rose(at)
    return ""


def _seen_before(
    first: GradedLight, night: Night, start: datetime, up: datetime | None
) -> Iterator[str]:
    target = first.frame.context.target
    if up is not None:
        yield say.rose(target, LOW_DEG, up)
        return
    height = height_deg(first, night, start)
    yield say.height(target, height, start)


def _seen_after(lights: Lights, last: GradedLight, night: Night) -> Iterator[str]:
    target = last.frame.context.target
    yield say.height(target, _height_of(last, night, last.end), last.end)
    if _at_meridian(last, night):
        yield say.AT_MERIDIAN
    sets = _whole_sets(lights, last)
    if sets:
        yield say.whole_sets(sets)
    end = night.dark[1] if night.dark else last.end
    kinds = Counter(o.kind for o in night.others if last.end <= o.start < end)
    if kinds:
        yield say.then([(n, kind) for kind, n in kinds.most_common()])


def _at_meridian(last: GradedLight, night: Night) -> bool:
    angle = hour_angle_deg(last, night, last.end)
    return angle is not None and abs(angle) * 240.0 <= MERIDIAN_S


def _whole_sets(lights: Lights, last: GradedLight) -> int:
    """Give how many frames each filter of the last target has, where all have as many."""
    target = last.frame.context.target
    counts = Counter(t.frame.context.filter for t in lights if t.frame.context.target == target)
    alike = len(set(counts.values())) == 1 and len(counts) > 1
    return next(iter(counts.values())) if alike else 0


# --- the verdict ----------------------------------------------------------------------------


def schedule_verdict(
    lights: Lights, pace: Pace | None, events: Sequence[Event], night: Night
) -> PartVerdict:
    """Judge how the dark was used, and how much of the time between frames."""
    if pace is None:
        return unknown(say.NO_TIMES if night.undated else say.NO_LIGHTS)
    if pace.elapsed_s <= 0 or not pace.open_shutter_s:
        return unknown(say.NO_LENGTHS)
    if len(lights) < ENOUGH_FOR_PACE:
        return unknown(say.no_pace(len(lights)) + _dark_used(lights, night))
    idle = idles(lights, night)
    paused_s = sum(e.cost_s for e in events if e.kind == "pause")
    silent = sum(t.frame.header.exposure_s is None for t in lights)
    text = say.shutter_open(pace.share_open, silent, pace.overhead_median_s, paused_s)
    evidence = together([*(i.words for i in idle), text + _dark_used(lights, night)])
    opinion = max(_by_share(pace.share_open), _by_idle(idle, paused_s, night), key=_badness)
    return PartVerdict(opinion, evidence, _check(idle, _by_share(pace.share_open), paused_s))


def _badness(opinion: Opinion) -> int:
    return [Opinion.GOOD, Opinion.FAIR, Opinion.POOR].index(opinion)


def _by_share(share: float) -> Opinion:
    if share >= OPEN_GOOD:
        return Opinion.GOOD
    return Opinion.FAIR if share >= OPEN_FAIR else Opinion.POOR


def _by_idle(idle: Sequence[Idle], paused_s: float, night: Night) -> Opinion:
    """Judge by the dark left unused; what the sky or the target's place took is fair at worst."""
    own_s = paused_s + sum(i.unused_s for i in idle if not (i.why or i.target))
    if own_s >= _limit_s(POOR_SHARE, POOR_S, night):
        return Opinion.POOR
    every_s = paused_s + sum(i.unused_s for i in idle)
    return Opinion.FAIR if every_s >= _limit_s(FAIR_SHARE, FAIR_S, night) else Opinion.GOOD


def _limit_s(share: float, most_s: float, night: Night) -> float:
    """Give how much unused dark counts: a share of a short night, so many minutes of a long one."""
    if night.dark is None:
        return most_s
    return min(most_s, share * (night.dark[1] - night.dark[0]).total_seconds())


def _check(idle: Sequence[Idle], by_share: Opinion, paused_s: float) -> str:
    """Say what to look at: where dark was left unused that comes first."""
    checks = [_check_of(i) for i in idle]
    if by_share is not Opinion.GOOD or paused_s:
        checks.append(say.CHECK)
    return together(dict.fromkeys(checks))


def _check_of(idle: Idle) -> str:
    if idle.target:
        return say.fill_check(idle.light.frame.context.target, sank=idle.kind == "stopped")
    if idle.why == say.BEHIND:
        return OBSTRUCTION_CHECK
    if idle.kind == "stopped":
        return say.SKY_CHECK if idle.why else say.STOPPED_CHECK
    return say.LATE_CHECK


def _dark_used(lights: Lights, night: Night) -> str:
    """Say how much of the dark was exposed, or why that is not known."""
    if night.doubt:
        return say.dark_in_doubt(night.doubt)
    if night.dark is None:
        return say.NEVER_DARK if night.place else say.NO_PLACE
    dark = night.dark
    open_s = (min(t.end, dark[1]) - max(t.start, dark[0]) for t in lights)
    used_s = sum(max(part.total_seconds(), 0.0) for part in open_s)
    return say.dark_used(used_s, (dark[1] - dark[0]).total_seconds())
