"""How long a file may take: generous by its size, and an end to it however it hangs.

A timer's signal ends what runs in Python, wherever it is. What hangs in a library hears no
signal: in a worker process a second watch, which needs nothing of Python, ends the process a
little later, and the scan names the file.
"""

import faulthandler
import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import IO

from runlog.core.failures import PATIENCE_SETTING

# A frame of 8 megapixels takes 0.3 s on a common machine: over a hundred times that.
SECONDS_AT_LEAST = 60.0
SECONDS_A_MEGABYTE = 1.0  # as stored: a slow share over a slow network
SECONDS_A_MEGAPIXEL = 4.0
MOST_OPENING_S = 600.0  # before the size of the frame is known
GRACE_S = 5.0  # between the signal and the end of the process


class OverdueError(BaseException):
    """A file takes too long. Not an Exception: nothing on the way may take it for its own."""

    def __init__(self, seconds: float) -> None:
        super().__init__(seconds)
        self.seconds = seconds


def overdue_words(seconds: float) -> str:
    """Say that a file took too long."""
    return f"took longer than {seconds:.3g} s and was given up (see {PATIENCE_SETTING})"


class Deadline:
    """The end of a file's time; may be put off when more is known of its size."""

    def __init__(self, patience: float, notes: IO[str] | None) -> None:
        self._patience, self._notes = patience, notes
        self.seconds = 0.0
        self.over = False

    def give(self, seconds: float) -> None:
        """Give so many seconds from now on."""
        self.seconds = max(seconds * self._patience, 1e-3)
        signal.setitimer(signal.ITIMER_REAL, self.seconds, 1.0)  # again, should one get lost
        if self._notes is not None:
            faulthandler.dump_traceback_later(self.seconds + GRACE_S, exit=True, file=self._notes)

    def ring(self, _number: int, _frame: FrameType | None) -> None:
        """End what runs."""
        if not self.over:
            raise OverdueError(self.seconds)


def opening_s(stored_bytes: int) -> float:
    """Give the seconds for finding out what a file holds."""
    return min(SECONDS_AT_LEAST + SECONDS_A_MEGABYTE * stored_bytes / 1e6, MOST_OPENING_S)


def reading_s(stored_bytes: int, pixels: int) -> float:
    """Give the seconds for reading and measuring a frame."""
    return (
        SECONDS_AT_LEAST
        + SECONDS_A_MEGABYTE * min(stored_bytes, 8 * pixels) / 1e6
        + SECONDS_A_MEGAPIXEL * pixels / 1e6
    )


@contextmanager
def deadline(patience: float, last_words: str | None = None) -> Iterator[Deadline | None]:
    """Watch over one file; None where nobody can (no such signals, or not in the main thread).

    Raises
    ------
    OverdueError
        When the time given has gone.
    """
    able = hasattr(signal, "setitimer") and math.isfinite(patience)
    if not able or threading.current_thread() is not threading.main_thread():
        yield None
        return
    in_worker = multiprocessing.parent_process() is not None
    with open(last_words or os.devnull, "a", encoding="utf-8") as notes:
        watch = Deadline(patience, notes if in_worker else None)
        before = signal.signal(signal.SIGALRM, watch.ring)
        try:
            yield watch
        finally:
            try:
                watch.over = True
            finally:  # should it ring just here
                signal.setitimer(signal.ITIMER_REAL, 0)
                if in_worker:
                    faulthandler.cancel_dump_traceback_later()
                signal.signal(signal.SIGALRM, before)
