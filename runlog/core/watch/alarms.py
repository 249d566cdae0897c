"""Warnings by cause: one when trouble begins, one when it is over."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum

from runlog.core.frame import Frame
from runlog.core.watch.causes import ANY, Found, found_in, off_set_point_c
from runlog.core.watch.chart import Chart, warned, with_frame
from runlog.core.watch.first_look import FirstLook
from runlog.core.watch.pace import CLOCKS, Pace, clocks_words, next_frame
from runlog.core.watch.said import alarm_words

SEEN = 500  # keys kept: a frame that comes again, after a restart, is no second frame


class What(StrEnum):
    """What an alarm says of its cause."""

    ALARM = "alarm"  # it began
    CLEARED = "cleared"  # it is over
    OVERDUE = "overdue"  # a frame did not come


@dataclass(frozen=True, slots=True)
class Alarm:
    """One thing to say to whoever sleeps."""

    what: What
    cause: str  # a fault as published, or "cooling", "clocks", "overdue", "folder", "disk" ...
    at_utc: datetime
    since_utc: datetime
    frames: int = 0  # in trouble
    of: int = 0  # frames since the first of them
    words: str = ""  # its numbers: "light 41 % of usual"
    still: tuple[str, ...] = ()  # other causes that were warned of and stand
    light: float | None = None  # share of the usual light, of the newest frame


@dataclass(frozen=True, slots=True)
class Looked:
    """A frame with what was said of it at first, and when its file was complete."""

    frame: Frame
    look: FirstLook
    arrived_utc: datetime  # by the clock of the watch
    live: bool = True  # it came while the watch ran; False where the watch catches up


@dataclass(frozen=True, slots=True)
class Alarms:
    """All that is kept of one run from frame to frame; immutable."""

    charts: Mapping[str, Chart] = field(default_factory=dict)  # by cause
    standing: Mapping[str, datetime] = field(default_factory=dict)  # what is no frame's: since when
    pace: Pace = field(default_factory=Pace)
    off_set_point_c: float | None = None  # of the last frame's sensor
    seen: tuple[str, ...] = ()  # keys of the last frames

    @property
    def on(self) -> tuple[str, ...]:
        """Name what was warned of and stands."""
        return (*(c.said for c in self.charts.values() if c.on), *self.standing)


Step = tuple[Alarms, list[Alarm]]


def advance(alarms: Alarms, looked: Looked, now: datetime) -> Step:
    """Take one more frame in; give the new state and what is to be said.

    A frame whose key was seen changes nothing. Keep the new state before saying anything: then
    a watch that is killed and started again says nothing twice.
    """
    frame = looked.frame
    if frame.key in alarms.seen:
        return alarms, []
    start = frame.header.taken_at_utc or looked.arrived_utc
    found = found_in(frame, looked.look, alarms.off_set_point_c)
    pace = next_frame(alarms.pace, frame, looked.arrived_utc, live=looked.live)
    after = replace(
        alarms,
        pace=pace,
        off_set_point_c=off_set_point_c(frame),
        seen=(*alarms.seen, frame.key)[-SEEN:],
    )
    said = _came(alarms.pace, start, now)
    after, more = _clocks(after, now)
    said += more
    if found is None:
        return after, said
    after, more = _charted(after, found, looked, start, now)
    return after, said + more


def catch_up(alarms: Alarms, looked: Sequence[Looked], now: datetime) -> Step:
    """Take in frames that were missed, in order; only what still stands at the end is said."""
    said: list[Alarm] = []
    for one in sorted(looked, key=_start):
        alarms, more = advance(alarms, one, now)
        said += more
    return alarms, _lasting(said)


def begun(alarms: Alarms, cause: str, words: str, now: datetime) -> Step:
    """Warn of something that is no frame's (a folder, a disk): once until it is over."""
    if cause in alarms.standing:
        return alarms, []
    after = replace(alarms, standing={**alarms.standing, cause: now})
    return after, [Alarm(What.ALARM, cause, now, now, words=words)]


def over(alarms: Alarms, cause: str, now: datetime) -> Step:
    """Say that it is over, if it was warned of."""
    if cause not in alarms.standing:
        return alarms, []
    left = {name: at for name, at in alarms.standing.items() if name != cause}
    after = replace(alarms, standing=left)
    return after, [Alarm(What.CLEARED, cause, now, now, still=after.on)]


def _start(looked: Looked) -> tuple[datetime, str]:
    return looked.frame.header.taken_at_utc or looked.arrived_utc, looked.frame.key


def _lasting(said: Sequence[Alarm]) -> list[Alarm]:
    """Leave out what began and was over again before it could be said."""
    left: list[Alarm] = []
    for alarm in said:
        began = next(
            (a for a in left if a.cause == alarm.cause and a.what is not What.CLEARED), None
        )
        if alarm.what is What.CLEARED and began is not None:
            left.remove(began)
        else:
            left.append(alarm)
    return left


# --- what a frame brings --------------------------------------------------------------------


def _came(before: Pace, start: datetime, now: datetime) -> list[Alarm]:
    """Say that frames come again, where one was said to be overdue."""
    if not before.said:
        return []
    return [Alarm(What.CLEARED, "overdue", now, start)]


def _clocks(alarms: Alarms, now: datetime) -> Step:
    words = clocks_words(alarms.pace)
    if words is not None:
        return begun(alarms, CLOCKS, words, now)
    return over(alarms, CLOCKS, now) if alarms.pace.clocks_agree else (alarms, [])


def _charted(alarms: Alarms, found: Found, looked: Looked, start: datetime, now: datetime) -> Step:
    charts = {
        cause: with_frame(alarms.charts.get(cause, Chart()), own, start)
        for cause, own in found.items()
    }
    anything = dict(pair for own in found.values() for pair in own.items())
    standing = any(chart.on for chart in charts.values())
    together = Chart() if standing else _together(alarms, anything, start)
    reached = {cause: chart for cause, chart in charts.items() if chart.reached}
    if not reached and together.reached:
        cause = _leading(charts)
        reached = {cause: replace(together, faults=charts[cause].faults)}
    said = [_alarm(What.ALARM, chart, looked, now) for chart in reached.values()]
    charts |= {cause: warned(chart, chart.leading) for cause, chart in reached.items()}
    ended = {cause: chart for cause, chart in charts.items() if chart.is_over}
    charts |= {cause: Chart() for cause in ended}
    charts[ANY] = Chart() if reached else together
    after = replace(alarms, charts={c: x for c, x in charts.items() if x != Chart()})
    said += [_cleared(chart, after, start, now) for chart in ended.values()]
    return after, said


def _together(alarms: Alarms, found: Mapping[str, float], start: datetime) -> Chart:
    return with_frame(alarms.charts.get(ANY, Chart()), found, start)


def _leading(charts: Mapping[str, Chart]) -> str:
    return max(charts, key=lambda cause: charts[cause].score)


def _alarm(what: What, chart: Chart, looked: Looked, now: datetime) -> Alarm:
    cause = chart.leading
    words = alarm_words(cause, looked.frame, looked.look)
    since, light = chart.since_utc or now, looked.look.light
    return Alarm(what, cause, now, since, chart.bad, chart.frames, words, light=light)


def _cleared(chart: Chart, after: Alarms, start: datetime, now: datetime) -> Alarm:
    since = chart.good_since_utc or start
    return Alarm(What.CLEARED, chart.said, now, since, chart.bad, chart.frames, still=after.on)
