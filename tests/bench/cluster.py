"""Two workers of a cluster against two of a local pool, and many: `python -m tests.bench.cluster`.

Frames of 8 Mpx with 1,500 stars are drawn, a few and many, and scanned in turn by the local pool
and by two workers that a scheduler of our own hands them to, each of one thread, all on this
machine: what one more file takes by the clock, and of the processor in worker, client (who stores
and grades) and scheduler. From these `tests/bench/cluster_many.py` reckons what 8, 50 and 200
workers would do. Rates mean something on a quiet machine only; its load is printed.
"""

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil

from tests.bench.cluster_many import A_DAY_S, Costs, simulate
from tests.bench.speed import SIZES, STARS
from tests.measure.fields import draw_field, moffat
from tests.tools import argv, environment, moment, write_frame

FEW, MANY = 4, 80  # so many that the client's few milliseconds a file stand out of its imports
TURNS = 3
FWHM_PX = 2.5
LEAST = 0.9  # of the pool's rate
WORKERS = (2, 8, 50, 200)
WANTED_A_DAY = 1_000_000
LINKS = {"1 Gbit/s": 0.117e9, "10 Gbit/s": 1.17e9, "no limit": 1e15}
READY_S = 120.0


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds of one scan: by the clock, and of the processor."""

    clock_s: float
    client_s: float  # the command, and with a pool also its workers
    worker_s: float
    scheduler_s: float


def _processor_s(roots: list[psutil.Process]) -> float:
    """Add up the time of processes and of all they started, those that ended too."""
    found = 0.0
    for root in roots:
        for one in [root, *root.children(recursive=True)]:
            with suppress(psutil.NoSuchProcess):
                times = one.cpu_times()
                found += sum(times[:4])
    return found


@contextmanager
def _started(folder: Path, *words: str) -> Iterator[psutil.Process]:
    env = environment(folder, OMP_NUM_THREADS="1", DASK_DISTRIBUTED__WORKER__DAEMON="False")
    with open(folder / f"{words[0]}-{time.monotonic_ns()}.log", "wb") as log:
        run = subprocess.Popen(
            [sys.executable, "-m", "dask", *words], env=env, cwd=folder, stdout=log, stderr=log
        )
    process = psutil.Process(run.pid)
    try:
        yield process
    finally:
        for one in [*process.children(recursive=True), process]:
            with suppress(psutil.NoSuchProcess):
                one.kill()
        run.wait()


@dataclass(frozen=True)
class Running:
    """A scheduler and its workers."""

    address: str
    scheduler: list[psutil.Process]
    workers: list[psutil.Process]


@contextmanager
def cluster_of(folder: Path, workers: int) -> Iterator[Running]:
    """Start a scheduler and so many workers, as the guide says, and wait for them."""
    from distributed import Client

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    at = f"tcp://127.0.0.1:{port}"
    with ExitStack() as stack:
        words = ("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
        scheduler = stack.enter_context(_started(folder, *words))
        line = ("worker", at, "--nthreads", "1", "--no-dashboard")
        scratch = ("--local-directory", str(folder / "scratch"))
        found = [stack.enter_context(_started(folder, *line, *scratch)) for _ in range(workers)]
        client = Client(at, timeout=READY_S, set_as_default=False)  # type: ignore[no-untyped-call]
        with client:
            client.wait_for_workers(workers, timeout=READY_S)
        yield Running(at, [scheduler], found)


def scan(home: Path, frames: Path, cluster: Running | None) -> Took:
    """Scan a folder into a fresh database, by two workers."""
    for old in home.glob("night.sqlite*"):
        old.unlink()
    how = ["--workers", "2"] if cluster is None else ["--cluster", cluster.address]
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"), OMP_NUM_THREADS="1")
    others = (cluster.workers, cluster.scheduler) if cluster else ([], [])
    before = [_processor_s(processes) for processes in others]
    began = time.perf_counter()
    run = subprocess.Popen(argv("scan", frames, *how), env=env, stderr=subprocess.PIPE)
    told = run.stderr.read() if run.stderr else b""
    _, status, own = os.wait4(run.pid, 0)
    run.returncode = os.waitstatus_to_exitcode(status)
    took = time.perf_counter() - began
    assert run.returncode == 0, told
    worker_s, scheduler_s = (
        _processor_s(processes) - was for processes, was in zip(others, before, strict=True)
    )
    return Took(took, own.ru_utime + own.ru_stime, worker_s, scheduler_s)


def write_frames(home: Path) -> Mapping[int, Path]:
    """Write the same field, laid a little further aside each time."""
    height, width = SIZES["8 Mpx"]
    drawn = draw_field(moffat(FWHM_PX), seed=1, stars=STARS["8 Mpx"], height=height, width=width)
    for count in (FEW, MANY):
        for i in range(count):
            moved = np.roll(drawn.pixels, (i, 2 * i), (0, 1))
            write_frame(home / f"{count}" / f"light_{i:02d}.fits", moved, DATE__OBS=moment(312 * i))
    return {count: home / f"{count}" for count in (FEW, MANY)}


def _a_file(took: dict[int, list[Took]], what: str) -> float:
    """Give what one more file takes: the least of few against the least of many."""
    least = {count: min(getattr(one, what) for one in found) for count, found in took.items()}
    return float(least[MANY] - least[FEW]) / (MANY - FEW)


def measure(turns: int) -> Costs:
    """Scan in turn, print what a file takes, and give it."""
    with tempfile.TemporaryDirectory(prefix="cluster-") as name:
        home = Path(name)
        frames = write_frames(home)
        size = (frames[FEW] / "light_00.fits").stat().st_size
        took: dict[str, dict[int, list[Took]]] = {
            "pool": {FEW: [], MANY: []},
            "cluster": {FEW: [], MANY: []},
        }
        loads = []
        with cluster_of(home, 2) as cluster:
            for _ in range(turns):
                for count, folder in frames.items():
                    loads.append(os.getloadavg()[0])
                    took["pool"][count].append(scan(home, folder, None))
                    took["cluster"][count].append(scan(home, folder, cluster))
    print(f"load before each scan: {min(loads):.1f} to {max(loads):.1f}")
    clock = {how: _a_file(found, "clock_s") for how, found in took.items()}
    print(
        f"| one more file of {size / 1e6:.0f} MB | pool of two | two of a cluster |\n|---|---|---|"
    )
    print(f"| by the clock | {clock['pool']:.3f} s | {clock['cluster']:.3f} s |")
    share = clock["pool"] / clock["cluster"]
    said = "pass" if share >= LEAST else "FALLS SHORT"
    print(f"| rate, to the pool's | 1 | {share:.2f} (>= {LEAST}) {said} |")
    own = {what: _a_file(took["cluster"], what) for what in ("worker_s", "client_s", "scheduler_s")}
    for what, seconds in own.items():
        print(f"| processor, {what.removesuffix('_s')} | | {1e3 * seconds:.1f} ms |")
    print(f"| processor, pool and command | {1e3 * _a_file(took['pool'], 'client_s'):.1f} ms | |")
    return Costs(own["worker_s"], own["client_s"], own["scheduler_s"], size, LINKS["no limit"])


def many(costs: Costs) -> None:
    """Print what more workers would come to."""
    print(f"\n| workers | link | files a second | a day | at work: {', '.join(_busy())} |")
    print("|---|---|---|---|---|")
    for workers in WORKERS:
        for link, carries in LINKS.items():
            ran = simulate(workers, _with_link(costs, carries))
            busy = ", ".join(f"{ran.busy[name]:.0%}" for name in _busy())
            enough = "enough" if ran.a_day >= WANTED_A_DAY else "short of a million"
            print(
                f"| {workers} | {link} | {ran.files_s:.1f} | {ran.a_day / 1e6:.2f} million, "
                f"{enough} | {busy} |"
            )
    needed = WANTED_A_DAY / A_DAY_S
    print(
        f"\none million a day is {needed:.1f} a second: {needed * costs.worker_s:.0f} workers busy "
        f"all day, {needed * costs.file_bytes / 1e6:.0f} MB/s; the client could store "
        f"{1 / costs.client_s:.0f} a second, the scheduler hand out {1 / costs.scheduler_s:.0f}"
    )


def _busy() -> tuple[str, ...]:
    return ("worker", "link", "client", "scheduler")


def _with_link(costs: Costs, carries: float) -> Costs:
    return Costs(
        costs.worker_s, costs.client_s, costs.scheduler_s, costs.file_bytes, link_bytes_s=carries
    )


def main() -> None:
    """Measure, or take what was measured; then reckon."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--turns", type=int, default=TURNS)
    parser.add_argument(
        "--costs", type=float, nargs=4, metavar=("WORKER", "CLIENT", "SCHEDULER", "MB"),
        help="milliseconds a file and its megabytes, where they were measured before",
    )  # fmt: skip
    asked = parser.parse_args()
    if asked.costs:
        worker, client, scheduler, size = asked.costs
        costs = Costs(worker / 1e3, client / 1e3, scheduler / 1e3, size * 1e6, LINKS["no limit"])
    else:
        costs = measure(asked.turns)
    many(costs)


if __name__ == "__main__":
    main()
