"""Run a command in a process group of its own and strike it at a moment."""

import os
import random
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from tests.killing import orphans

PATIENCE_S = 120.0
LATE = 0.25  # share of the moments drawn from the last tenth


class Signal(Enum):
    """How a command is struck."""

    KILL = "kill -9"  # its whole process group
    PARENT = "kill -9 of the parent"
    CTRL_C = "Ctrl-C"  # to the whole group, as a terminal sends it
    KILL_BOTH = "kill -9, then the server restarted"
    CTRL_C_BOTH = "Ctrl-C, then the server restarted"
    SERVER = "the server restarted"  # immediately, while the command runs on

    @property
    def restarts(self) -> bool:
        """Tell whether it is about a server."""
        return self in (Signal.KILL_BOTH, Signal.CTRL_C_BOTH, Signal.SERVER)

    @property
    def is_heard(self) -> bool:
        """Tell whether the command hears that it is to stop."""
        return self in (Signal.CTRL_C, Signal.CTRL_C_BOTH)


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


def strike(
    process: "subprocess.Popen[str]",
    mark: str,
    how: Signal,
    at_s: float,
    restart: Callable[[], None] | None = None,
) -> Struck:
    """Wait, strike, and see what is left of it."""
    time.sleep(at_s)
    in_time = process.poll() is None
    if in_time and how is not Signal.SERVER:
        _send(process, how)
    if in_time and how.restarts:
        assert restart is not None
        restart()
    try:
        out, err = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        out, err = process.communicate()
        err = f"{err or ''}\n(it hung and was killed)"
    left = orphans(mark) if mark else []  # what was forked has no kin
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    return Struck(how, at_s, in_time, process.returncode, out or "", err or "", len(left))


def _send(process: "subprocess.Popen[str]", how: Signal) -> None:
    if how is Signal.PARENT:
        process.kill()
    else:
        os.killpg(process.pid, signal.SIGINT if how.is_heard else signal.SIGKILL)
