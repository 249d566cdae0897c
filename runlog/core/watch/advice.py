"""What to do next, from the log: a sentence for a person, never a command to hardware."""

from collections.abc import Sequence

from runlog.core.frame import Frame
from runlog.core.watch.alarms import Alarm


def sentence(alarm: Alarm) -> str:
    """Say an alarm in one line, times as the zone in force has them, without the time it is."""
    raise NotImplementedError


def advice(alarm: Alarm, frames: Sequence[Frame]) -> str | None:
    """Say what to do about an alarm, by the frames of the run so far; None where nothing is known.

    "refocus: FWHM up by 22 % in 1.4 C".
    """
    raise NotImplementedError
