"""What a watch tells, one event at a time."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from runlog.core.times import Zone

FRESH = timedelta(hours=18)  # a warning that is older is of another night


class EventKind(StrEnum):
    """What an event is."""

    FRAME = "frame"
    ALARM = "alarm"
    CLEARED = "cleared"
    OVERDUE = "overdue"
    END = "end"


WARNINGS = (EventKind.ALARM, EventKind.CLEARED, EventKind.OVERDUE)


@dataclass(frozen=True, slots=True)
class Event:
    """Something a watch tells: a frame that was graded, or a warning."""

    at_utc: datetime
    kind: EventKind
    text: str
    path: bytes | None = None
    rig: str | None = None
    grade: str | None = None  # as stored, by all frames that are there
    faults: Sequence[str] = ()
    first_look: str | None = None  # the grade when the frame came
    cause: str | None = None
    since_utc: datetime | None = None
    frames: int | None = None
    latency_s: float | None = None  # from the file's last change to this event

    @property
    def is_warning(self) -> bool:
        """Tell what is said aloud from a line of the log."""
        return self.kind in WARNINGS

    def line(self, zone: Zone) -> str:
        """Write it as one line for a person, with the time of day."""
        return f"{zone.local(self.at_utc):%H:%M:%S} {self.text}"

    def body(self, path: str | None) -> dict[str, Any]:
        """Give what its JSON holds; `path` is its path as text."""
        return {
            "at_utc": self.at_utc,
            "kind": self.kind.value,
            "path": path,
            "rig": self.rig,
            "grade": self.grade,
            "faults": list(self.faults),
            "first_look": self.first_look,
            "cause": self.cause,
            "since_utc": self.since_utc,
            "frames": self.frames,
            "latency_s": None if self.latency_s is None else round(self.latency_s, 3),
            "text": self.text,
        }
