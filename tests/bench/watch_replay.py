"""Replay a run frame by frame with a clock that is passed in: first looks and warnings."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from runlog.core.frame import Frame, Grade, Verdict
from runlog.core.grading.grade import grade_run
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.watch.alarms import Alarm, Alarms, Looked, What, advance
from runlog.core.watch.causes import found_in, off_set_point_c
from runlog.core.watch.first_look import FirstLook, first_look
from runlog.core.watch.overdue import OVERDUE, overdue, waits_of

TICK = timedelta(seconds=20)
WRITTEN_S = 8.0  # from the end of an exposure until its file is measured
REJECTS, DOUBTFUL = 3, 6  # in a row, from which a warning is due


@dataclass(frozen=True)
class Replayed:
    """One run as a watch would have told it."""

    frames: list[Frame]  # in order of time, as they are known at the end
    looks: list[FirstLook]
    last: list[Verdict]  # the last word
    alarms: list[tuple[int, Alarm]]  # by number of the frame that brought it
    final: Alarms = field(default_factory=Alarms)


def by_time(frames: Iterable[Frame]) -> list[Frame]:
    """Sort frames by their start."""
    return sorted(frames, key=lambda f: (f.header.taken_at_utc, f.key))


def as_known_then(frames: Sequence[Frame], *, history: bool) -> list[Frame]:
    """Lay the frames so far on the best of them, where the best of all is not taken yet.

    The reference of a field that no earlier night shows is the best frame so far; light is told
    against it.
    """
    keys = {f.key for f in frames}
    best: dict[tuple[object, ...], Frame] = {}
    for frame in frames:
        light, place = frame.placement.throughput, frame.placement
        if light is None or not place.matched:
            continue
        group = _group(frame)
        have = best.get(group)
        if have is None or light > (have.placement.throughput or 0.0):
            best[group] = frame
    return [_laid(f, best.get(_group(f)), keys, history=history) for f in frames]


def _group(frame: Frame) -> tuple[object, ...]:
    return frame.context.target, frame.context.filter, frame.placement.matched_to


def _laid(frame: Frame, best: Frame | None, keys: set[str], *, history: bool) -> Frame:
    place = frame.placement
    if place.matched_to is None or place.matched_to in keys or best is None:
        return frame
    if history and place.field_runs == 2:
        return frame  # an earlier night's frame, or one that other nights show as well
    scale = best.placement.throughput or 1.0
    through, light = place.throughput, place.transparency
    new = replace(
        place,
        matched_to=best.key,
        best_of_name=best.key if place.best_of_name == place.matched_to else place.best_of_name,
        throughput=None if through is None else through / scale,
        transparency=None if light is None else light / scale,
    )
    return replace(frame, placement=new)


def replay(
    frames: Iterable[Frame],
    policy: Policy,
    history: History,
    *,
    last: Mapping[str, Verdict] | None = None,
    alarms: Alarms | None = None,
) -> Replayed:
    """Look at the lights of a run one by one, and warn."""
    lights = by_time(frames)
    words = last or grade_run(lights, policy, history)
    state, looks, said = alarms or Alarms(), [], []
    for n, frame in enumerate(lights):
        now = arrival(frame)
        for tick in ticks(state.pace.arrived_utc, now):
            waits = waits_of(lights[n - 1], place_of(lights[n - 1]))
            state, more = overdue(state, waits, tick)
            said += [(n, alarm) for alarm in more]
        known = as_known_then(lights[: n + 1], history=bool(history))
        look = first_look(known, frame.key, policy, history)
        state, more = advance(state, Looked(known[n], look, now), now)
        looks.append(look)
        said += [(n, alarm) for alarm in more]
    return Replayed(lights, looks, [words[f.key] for f in lights], said, state)


def arrival(frame: Frame) -> datetime:
    """Give when a frame is graded: after its exposure, download and measuring."""
    start, length_s = frame.header.taken_at_utc, frame.header.exposure_s or 0.0
    assert start is not None
    return start + timedelta(seconds=length_s + WRITTEN_S)


def ticks(start: datetime | None, end: datetime) -> Iterator[datetime]:
    """Let the clock go on between two frames."""
    at = start + TICK if start else end
    while at < end:
        yield at
        at += TICK


def place_of(frame: Frame) -> tuple[float, float] | None:
    """Give where a frame was taken, as its header says."""
    at = frame.header.latitude_deg, frame.header.longitude_deg
    return None if at[0] is None or at[1] is None else (at[0], at[1])


# --- what is counted ------------------------------------------------------------------------


def agrees(run: Replayed, n: int, *, history: bool) -> bool | None:
    """Tell whether a first look was the last word; None where nothing is asked of it."""
    first, last = run.looks[n].verdict.grade, run.last[n].grade
    if not history and n < 2 and first is Grade.UNGRADED:
        return None
    return first is last


def due(run: Replayed) -> list[int]:
    """List the frames at which a warning is due: a third reject, or a sixth doubtful, in a row.

    By the first looks as they are weighed: a sky that brightens in twilight is not warned of.
    """
    found, rejects, doubtful, said, off_c = [], 0, 0, False, None
    for n, (frame, look) in enumerate(zip(run.frames, run.looks, strict=True)):
        weights = found_in(frame, look, off_c)
        off_c = off_set_point_c(frame)
        if weights is None:
            continue
        worst = max((w for own in weights.values() for w in own.values()), default=0.0)
        rejects = rejects + 1 if worst == 1.0 else 0
        doubtful = doubtful + 1 if worst == 0.5 else 0
        if not worst:
            said = False
        if (rejects >= REJECTS or doubtful >= DOUBTFUL) and not said:
            found.append(n)
            said = True
    return found


def delays(run: Replayed) -> list[int | None]:
    """Give, for each warning that is due, the frames until one stands; None for never."""
    began = [n for n, alarm in run.alarms if alarm.what is What.ALARM]
    of_frames = [(n, a) for n, a in run.alarms if a.cause != OVERDUE]
    ended = [n for n, alarm in of_frames if alarm.what is What.CLEARED]
    found: list[int | None] = []
    for n in due(run):
        standing = sum(b <= n for b in began) > sum(e <= n for e in ended)
        later = next((b - n for b in began if b > n), None)
        found.append(0 if standing else later)
    return found
