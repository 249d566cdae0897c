"""What a watch asks of the core about one run: the first look, the warnings, what is overdue."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from runlog.core.frame import Frame
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.watch.advice import advice, sentence
from runlog.core.watch.alarms import Alarm, Alarms, Looked, advance, catch_up
from runlog.core.watch.first_look import FirstLook, first_look
from runlog.core.watch.kept import from_json, to_json
from runlog.core.watch.overdue import heard, overdue, resumed, waits_of

SOON = timedelta(seconds=120)  # a file's own time of change tells when it was complete

Place = tuple[float, float]
PlanEnd = Callable[[Frame], datetime | None]


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning of a run, or that it is over, in words."""

    kind: str
    cause: str
    words: str
    since_utc: datetime | None = None
    frames: int | None = None


@dataclass(slots=True)
class Judge:
    """One run while frames come to it."""

    policy: Policy
    earlier: History
    lights: Sequence[Frame]  # counted, in order of time
    state: Alarms = field(default_factory=Alarms)
    place: Place | None = None
    dark_until_utc: datetime | None = None
    missed: list[Looked] = field(default_factory=list)  # looked at while catching up
    usual: RunUsual | None = None  # among all the lights, where it was found already

    def look(self, frame: Frame) -> FirstLook:
        """Look at a frame by those that were taken before it."""
        until = self._until(frame)
        usual = self.usual if len(until) == len(self.lights) else None
        return first_look(until, frame.key, self.policy, self.earlier, usual)

    def _until(self, frame: Frame) -> list[Frame]:
        at = frame.header.taken_at_utc
        return [f for f in self.lights if f.key == frame.key or _before(f, at)]

    def take(self, frame: Frame, look: FirstLook, now: datetime, written_s: float) -> list[Warned]:
        """Take a frame that just came into the warnings."""
        looked = Looked(frame, look, _arrived(now, written_s))
        self.state, alarms = advance(self.state, looked, now)
        return self._said(alarms)

    def hear(self, other: Frame, now: datetime, written_s: float | None) -> None:
        """Take note of a frame that is no light: the rig is at work."""
        arrived = _arrived(now, written_s) if written_s is not None else _ended(other)
        self.state = heard(self.state, other, arrived)

    def miss(self, frame: Frame, look: FirstLook) -> None:
        """Take in a frame that came unseen; when is not known."""
        self.missed.append(Looked(frame, look, _ended(frame), live=False))

    def caught_up(self, now: datetime) -> list[Warned]:
        """Warn of what still stands after the frames that came unseen."""
        if not self.missed:
            return []
        self.state, alarms = catch_up(self.state, self.missed, now)
        self.missed = []
        return self._said(alarms)

    def overdue(self, now: datetime, plan_end: PlanEnd = lambda _: None) -> list[Warned]:
        """Warn when the next frame should have come by now.

        `plan_end` tells when the plan ends that has a light as its last; it is asked only when a
        frame would be overdue.
        """
        if not self.lights:
            return []
        last = self.lights[-1]
        waits = waits_of(last, self.place, self.dark_until_utc)
        after, alarms = overdue(self.state, waits, now)
        if alarms and (ends := plan_end(last)) is not None:
            after, alarms = overdue(self.state, replace(waits, ends_utc=ends), now)
        self.state = after
        return self._said(alarms)

    def resumed(self, now: datetime) -> None:
        """Begin to wait anew."""
        self.state = resumed(self.state, now)

    def _said(self, alarms: Sequence[Alarm]) -> list[Warned]:
        return [self._in_words(alarm) for alarm in alarms]

    def _in_words(self, alarm: Alarm) -> Warned:
        todo = advice(alarm, self.lights)
        words = f"{sentence(alarm)}; {todo}" if todo else sentence(alarm)
        return Warned(alarm.what.value, alarm.cause, words, alarm.since_utc, alarm.frames)

    def rest(self) -> None:
        """Let go of all that is not needed to wait for the next frame."""
        self.lights, self.usual = self.lights[-1:], None

    def kept(self) -> dict[str, Any]:
        """Give the state of the warnings as JSON."""
        return to_json(self.state)


def judge_of(
    policy: Policy,
    earlier: History,
    lights: Sequence[Frame],
    kept: Mapping[str, Any],
    usual: RunUsual | None = None,
) -> Judge:
    """Judge a run on from where its warnings were.

    `usual` is what is usual among the lights, where that was found already.
    """
    state = from_json(dict(kept)) if kept else Alarms()
    dated = sorted((f for f in lights if f.header.taken_at_utc), key=_time)
    undated = [f for f in lights if f.header.taken_at_utc is None]
    return Judge(policy, earlier, [*undated, *dated], state, usual=usual)


def _before(frame: Frame, at: datetime | None) -> bool:
    taken = frame.header.taken_at_utc
    return at is None or taken is None or taken < at


def _time(frame: Frame) -> tuple[datetime, str]:
    assert frame.header.taken_at_utc is not None  # the caller chose those that have one
    return frame.header.taken_at_utc, frame.key


def _ended(frame: Frame) -> datetime:
    header = frame.header
    assert header.taken_at_utc is not None  # it is of tonight
    return header.taken_at_utc + timedelta(seconds=header.exposure_s or 0.0)


def _arrived(now: datetime, written_s: float) -> datetime:
    """Tell when a file was complete, by the clock of the watch as far as that tells."""
    age = timedelta(seconds=now.timestamp() - written_s)
    return now - age if timedelta() <= age <= SOON else now
