"""What one more frame costs a scan, beside sep on the same frame: `python -m tests.bench.slope`.

Processor time of every process of the real command, best of a few turns; the reference runs in
the same turns, in this process.
"""

import ctypes
import os
import subprocess
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from runlog.config import Settings
from runlog.ingest.task import Task, read_file
from runlog.measure import measure_frame
from tests.bench.scan import Line, children_s, its_environment, show
from tests.bench.speed import SIZES, STARS, best_of, fit_pixel_stack, sep_recipe
from tests.measure.fields import draw_field, moffat
from tests.tools import argv, moment, write_frame

FEW, MANY = 4, 12
TURNS = 5
FWHM_PX = 2.5
SIGMAS = 5.0
PR_SET_CHILD_SUBREAPER = 36  # prctl(2)


@dataclass(frozen=True, slots=True)
class Used:
    """Processor time of a command: its own, and that of all processes it left to themselves."""

    own_s: float
    others_s: float

    @property
    def all_s(self) -> float:
        """Of all of them."""
        return self.own_s + self.others_s


def used(home: Path, *words: str) -> Used:
    """Run a command and wait for every process it started: none of their time is lost."""
    run = subprocess.Popen(argv(*words), env=its_environment(home), stderr=subprocess.DEVNULL)
    _, status, own = os.wait4(run.pid, 0)
    run.returncode = os.waitstatus_to_exitcode(status)
    if run.returncode:
        raise SystemExit(f"runlog {' '.join(words)} ended with exit code {run.returncode}")
    before = children_s()
    try:
        while True:
            os.wait()
    except ChildProcessError:
        return Used(own.ru_utime + own.ru_stime, children_s() - before)


def slope_lines(home: Path) -> Iterator[Line]:
    """Scan few frames and many; what a scan costs besides is where the line begins."""
    height, width = SIZES["8 Mpx"]
    pixels = draw_field(
        moffat(FWHM_PX), seed=1, stars=STARS["8 Mpx"], height=height, width=width
    ).pixels
    files = {count: _write(home / f"{count}", pixels, count) for count in (FEW, MANY)}
    fit_pixel_stack(pixels, SIGMAS)
    task = Task(bytes(files[MANY]), (files[MANY].name,), Settings().rules)
    sep_s, worker_s, alone_s = [], [], []
    taken: dict[int, list[Used]] = {FEW: [], MANY: []}
    for _ in range(TURNS):  # in turn, so that a busy spell hits all alike
        sep_s.append(best_of(lambda: sep_recipe(pixels, SIGMAS), 3))
        worker_s.append(best_of(lambda: read_file(task), 3))
        alone_s.append(best_of(lambda: measure_frame(pixels), 3))
        for count in taken:
            taken[count].append(_scanned(home, count))
    sep, few, many = min(sep_s), _least(taken[FEW]), _least(taken[MANY])
    slope = (many.all_s - few.all_s) / (MANY - FEW)
    own = (many.own_s - few.own_s) / (MANY - FEW)
    yield Line("sep at 5 sigma on a frame of 8 Mpx", f"{sep:.3f} s")
    yield Line("  one more frame in a scan by one worker", f"{slope / sep:.2f} times", "1.3 times")
    yield Line(
        "  of that the writer's, to the worker's", f"{100 * own / (slope - own):.1f} %", "4 %"
    )
    yield Line("  what a scan costs besides", f"{few.all_s - FEW * slope:.2f} s", "under 2 s")
    yield Line("  one frame through a worker", f"{min(worker_s) / sep:.2f} times", "0.95 times")
    yield Line("  the measuring alone", f"{min(alone_s) / sep:.2f} times", "0.8 times")


def _write(folder: Path, pixels: np.ndarray, count: int) -> Path:
    """Write the same field laid a little further aside each time; give the first file."""
    for i in range(count):
        moved = np.roll(pixels, (i, 2 * i), (0, 1))
        write_frame(folder / f"light_{i:02d}.fits", moved, DATE__OBS=moment(312.0 * i))
    return folder / "light_00.fits"


def _scanned(home: Path, count: int) -> Used:
    for old in home.glob("night.sqlite*"):
        old.unlink()
    return used(home, "scan", str(home / f"{count}"), "--workers", "1")


def _least(rows: list[Used]) -> Used:
    return min(rows, key=lambda row: row.all_s)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    show([slope_lines])
