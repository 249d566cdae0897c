"""Run a command in a process group of its own and strike it at a moment."""

import os
import random
import signal
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from tests.interruptions.world import RUNLOG, surroundings
from tests.killing import orphans, start

PATIENCE_S = 120.0
LATE = 0.25  # share of the moments drawn from the last tenth


class Signal(Enum):
    """How a command is struck."""

    KILL = "kill -9"  # its whole process group
    PARENT = "kill -9 of the parent"
    CTRL_C = "Ctrl-C"  # to the whole group, as a terminal sends it


@dataclass(frozen=True, slots=True)
class Struck:
    """A command that was struck, and what came of it."""

    signal: Signal
    at_s: float
    in_time: bool  # it still ran
    code: int
    out: str
    err: str
    orphans: int


def moment_s(whole_s: float, drawn: random.Random) -> float:
    """Draw a moment of a command's life, a share of them from its last tenth."""
    late = drawn.random() < LATE
    return whole_s * (drawn.uniform(0.9, 1.02) if late else drawn.uniform(0.0, 0.9))


def begin(
    home: Path, words: Sequence[str], database: str | None = None
) -> tuple["subprocess.Popen[str]", str]:
    """Start the command in a home."""
    return start(home, [*RUNLOG, *words], surroundings(home, database))


def strike(process: "subprocess.Popen[str]", mark: str, how: Signal, at_s: float) -> Struck:
    """Wait, strike, and see what is left of it."""
    time.sleep(at_s)
    in_time = process.poll() is None
    if in_time:
        _send(process, how)
    try:
        out, err = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        out, err = process.communicate()
        err += "\n(it hung and was killed)"
    left = orphans(mark)
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    return Struck(how, at_s, in_time, process.returncode, out, err, len(left))


def _send(process: "subprocess.Popen[str]", how: Signal) -> None:
    if how is Signal.PARENT:
        process.kill()
    else:
        os.killpg(process.pid, signal.SIGINT if how is Signal.CTRL_C else signal.SIGKILL)
