"""Warnings by cause: one when trouble begins, one when it is over.

Each cause has a chart of its own, a cumulative sum (Page 1954) of Wald's log-likelihood ratios
(Wald 1945): a frame with the fault against frames that have it by chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from runlog.core.frame import Frame
from runlog.core.watch.first_look import FirstLook


class What(StrEnum):
    """What an alarm says of its cause."""

    ALARM = "alarm"  # it began
    CLEARED = "cleared"  # it is over
    OVERDUE = "overdue"  # a frame did not come


@dataclass(frozen=True, slots=True)
class Alarm:
    """One thing to say to whoever sleeps."""

    what: What
    cause: str  # a fault as published, or "cooling", "clocks", "overdue", "folder", "disk"
    at_utc: datetime
    since_utc: datetime
    frames: int = 0  # in trouble, in a row or nearly so
    words: str = ""  # its numbers: "light 41 % of usual"


@dataclass(frozen=True, slots=True)
class Looked:
    """A frame with what was said of it at first, and when its file was complete."""

    frame: Frame
    look: FirstLook
    arrived_utc: datetime  # by the clock of the watch
    live: bool = True  # it came while the watch ran; False where the watch catches up


@dataclass(frozen=True, slots=True)
class Chart:
    """How far one cause has come."""

    score: float = 0.0
    good: float = 0.0  # how far it has come to be over, while it is on
    since_utc: datetime | None = None  # start of the first frame in trouble
    frames: int = 0
    on: bool = False  # it was warned of


@dataclass(frozen=True, slots=True)
class Pace:
    """How frames follow each other in this run."""

    start_utc: datetime | None = None  # of the last frame
    exposure_s: float = 0.0
    arrived_utc: datetime | None = None
    gaps_s: tuple[float, ...] = ()  # from the end of a frame to the next start
    delays_s: tuple[float, ...] = ()  # from the end of a frame to its arrival
    said: int = 0  # times that the next frame was said to be overdue


@dataclass(frozen=True, slots=True)
class Alarms:
    """All that is kept of one run from frame to frame; immutable."""

    charts: tuple[tuple[str, Chart], ...] = ()  # by cause
    pace: Pace = field(default_factory=Pace)
    seen: tuple[str, ...] = ()  # keys of the last frames: one that comes again counts once


def advance(alarms: Alarms, looked: Looked, now: datetime) -> tuple[Alarms, list[Alarm]]:
    """Take one more frame in; give the new state and what is to be said.

    A frame whose key was seen changes nothing. Keep the new state before saying anything: then
    a watch that is killed and started again says nothing twice.
    """
    raise NotImplementedError


def catch_up(alarms: Alarms, looked: Sequence[Looked], now: datetime) -> tuple[Alarms, list[Alarm]]:
    """Take in frames that were missed, in order; only what still stands at the end is said."""
    raise NotImplementedError


def begun(alarms: Alarms, cause: str, words: str, now: datetime) -> tuple[Alarms, list[Alarm]]:
    """Warn of something that is no frame's (a folder, a disk): once until it is over."""
    raise NotImplementedError


def over(alarms: Alarms, cause: str, now: datetime) -> tuple[Alarms, list[Alarm]]:
    """Say that it is over, if it was warned of."""
    raise NotImplementedError
