"""A frame that does not come: the rig stopped."""

from dataclasses import dataclass
from datetime import datetime

from runlog.core.frame import Frame
from runlog.core.watch.alarms import Alarm, Alarms


@dataclass(frozen=True, slots=True)
class Waits:
    """What the next frame may rightly wait for."""

    meridian_utc: datetime | None = None  # when the target passes it next, or just did
    flip_s: float = 180.0  # what a flip takes, learned or assumed
    focus_s: float = 300.0  # what a focus run takes
    dark_until_utc: datetime | None = None  # no frame is expected after it
    ends_utc: datetime | None = None  # by the plan, the last frame is done


def waits_of(
    last: Frame, place: tuple[float, float] | None, dark_until_utc: datetime | None
) -> Waits:
    """Work out what may come between a frame and the next.

    `place` is latitude and longitude in degrees (east positive).
    """
    raise NotImplementedError


def overdue(alarms: Alarms, waits: Waits, now: datetime) -> tuple[Alarms, list[Alarm]]:
    """Say once that a frame is overdue, and once more after half an hour; never again."""
    raise NotImplementedError


def resumed(alarms: Alarms, now: datetime) -> Alarms:
    """Begin to wait anew: the machine was suspended."""
    raise NotImplementedError
