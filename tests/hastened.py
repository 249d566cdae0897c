"""The real command with a clock that a test sets on: `python -m tests.hastened scan ...`.

What a night waits half an hour for is waited for in seconds. Only the clock of the watch is
another; it goes on in steps so short that the machine does not seem to have slept.
"""

import os
from datetime import datetime, timedelta
from pathlib import Path

from runlog.__main__ import main
from runlog.actions import watch

AHEAD = "ahead_s"  # a file in the folder where the command runs: so far the clock is to go on
STEP_S, ASKING_S = 45.0, 2.0  # while nothing is owed, and while folders owe an answer


class SetOn(watch.Clock):
    """The machine's clocks, and what they were set on by."""

    def __init__(self) -> None:
        self._on_s = 0.0

    def now(self) -> datetime:
        return super().now() + timedelta(seconds=self._on_s)

    def elapsed_s(self) -> float:
        return super().elapsed_s() + self._on_s

    def wait(self, seconds: float, stop: watch.Stop) -> None:
        super().wait(seconds, stop)
        if Path(AHEAD).exists():
            left_s = float(Path(AHEAD).read_text()) - self._on_s
            self._on_s += max(0.0, min(left_s, STEP_S if seconds else ASKING_S))


def set_on(home: Path, seconds: float) -> None:
    """Let the clock of the watch over home/frames be so far ahead of the machine's."""
    (aside := home / f"{AHEAD}.new").write_text(str(seconds))
    os.replace(aside, home / AHEAD)


if __name__ == "__main__":
    watch.Clock = SetOn  # type: ignore[misc]
    main()
