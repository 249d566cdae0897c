"""Run the real command and watch its processes: how long, how much memory, what it says."""

import subprocess
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

from tests.tools import argv, environment

LOOK_EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Watched:
    """A command that ended."""

    code: int
    out: str
    err: str
    seconds: float
    peak_mb: float  # of the process that took most
    peak_together_mb: float  # of all of them at one moment


class _Peak:
    """The most memory seen, of one process and of all at once."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.one_mb = self.all_mb = 0.0
        self._process = process
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while self._process.poll() is None:
            self._look()
            time.sleep(LOOK_EVERY_S)

    def _look(self) -> None:
        try:
            top = psutil.Process(self._process.pid)
            sizes = [_own_mb(one) for one in (top, *top.children(recursive=True))]
        except psutil.Error:
            return
        self.one_mb = max(self.one_mb, *sizes)
        self.all_mb = max(self.all_mb, sum(sizes))


def _own_mb(process: psutil.Process) -> float:
    try:
        return float(process.memory_info().rss) / 1e6
    except psutil.Error:  # ended meanwhile
        return 0.0


def watched(home: Path, *words: str | Path, timeout_s: float = 3600, **env: str) -> Watched:
    """Run `runlog` to its end.

    Raises
    ------
    subprocess.TimeoutExpired
        When it hangs.
    """
    environ = environment(home, RUNLOG_DB=str(home / "night.sqlite"), **env)
    began = time.monotonic()
    with subprocess.Popen(
        argv(*words), env=environ, cwd=home, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        peak = _Peak(process)
        try:
            out, err = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    taken = time.monotonic() - began
    return Watched(process.returncode, out, err, taken, peak.one_mb, peak.all_mb)


def line_of(words: Sequence[str | Path]) -> str:
    """Write a command as it is typed."""
    return "runlog " + " ".join(map(str, words))
