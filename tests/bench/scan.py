"""How fast and how large a scan is: python -m tests.bench.scan [--part night|again|start|totals].

Prints a table with the bar beside each number. Everything is measured through the real command.
The numbers depend on what else the machine does; the load is printed with them.
"""

import argparse
import hashlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
from sqlalchemy import insert, select

from runlog.actions.open import open_store
from runlog.config import Settings
from runlog.ingest.discover import Walk
from runlog.store import models as m
from runlog.store.engine import reading, writing
from samples.maker import make_nights
from tests.tools import argv, environment, write_frame, write_run

WORKERS = 2
UNCHANGED = 10_000
STORED = 50_000
RUNS = 700  # two years of clear nights
REPEATS = 9


@dataclass(frozen=True, slots=True)
class Line:
    """One number beside its bar."""

    what: str
    value: str
    bar: str = ""


def main() -> None:
    """Run the parts asked for and print their lines."""
    parts: dict[str, Callable[[Path], Iterator[Line]]] = {
        "start": start_lines,
        "totals": totals_lines,
        "night": night_lines,
        "again": again_lines,
    }
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=list(parts), action="append")
    wanted = parser.parse_args().part or list(parts)
    print(f"{os.cpu_count()} cores; load before: {os.getloadavg()[0]:.1f}")
    for name in wanted:
        with tempfile.TemporaryDirectory() as folder:
            for line in parts[name](Path(folder)):
                print(f"  {line.what:<52} {line.value:>14}   {line.bar}", flush=True)
    print(f"load after: {os.getloadavg()[0]:.1f}")


# --- running ----------------------------------------------------------------------------------


def _environment(home: Path) -> dict[str, str]:
    threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return environment(home, RUNLOG_DB=str(home / "night.sqlite"), **threads)


def timed_s(home: Path, *words: str) -> float:
    """Run a command; gives its wall-clock time."""
    began = time.perf_counter()
    subprocess.run(argv(*words), env=_environment(home), check=True, capture_output=True)
    return time.perf_counter() - began


def median_ms(home: Path, *words: str) -> str:
    """Run a command several times; gives the median and the least, in milliseconds."""
    took = sorted(1000 * timed_s(home, *words) for _ in range(REPEATS))
    return f"{statistics.median(took):.0f} ({took[0]:.0f}) ms"


@dataclass(slots=True)
class Peak:
    """The largest resident memory seen, in bytes."""

    worker: int = 0
    parent: int = 0


def watched(home: Path, *words: str) -> tuple[float, Peak]:
    """Run a command and watch the memory of its processes twenty times a second."""
    began, peak = time.perf_counter(), Peak()
    with subprocess.Popen(argv(*words), env=_environment(home), stderr=subprocess.DEVNULL) as run:
        parent = psutil.Process(run.pid)
        while run.poll() is None:
            _look(parent, peak)
            time.sleep(0.05)
    if run.returncode:
        raise SystemExit(f"runlog {' '.join(words)} ended with exit code {run.returncode}")
    return time.perf_counter() - began, peak


def _look(parent: psutil.Process, peak: Peak) -> None:
    try:
        peak.parent = max(peak.parent, parent.memory_info().rss)
        for child in parent.children(recursive=True):
            peak.worker = max(peak.worker, child.memory_info().rss)
    except psutil.Error:
        return  # it ended while we looked


# --- the parts --------------------------------------------------------------------------------


def start_lines(home: Path) -> Iterator[Line]:
    """Time what a person waits for before anything happens."""
    timed_s(home, "--help")  # warm the disk cache
    yield Line("runlog --help, median (least)", median_ms(home, "--help"), "under 150 ms")
    bare = [sys.executable, "-c", "pass"]
    took = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        subprocess.run(bare, check=True)
        took.append(1000 * (time.perf_counter() - began))
    yield Line("  of which a bare Python", f"{statistics.median(took):.0f} ms")


def totals_lines(home: Path) -> Iterator[Line]:
    """Time listings on a large database."""
    _fill(home)
    size = (home / "night.sqlite").stat().st_size / 1e6
    yield Line(f"database of {STORED:,} frames in {RUNS} runs", f"{size:.0f} MB")
    for words, bar in ((["totals"], "under 600 ms"), (["nights"], ""), (["night"], "")):
        yield Line(f"runlog {words[0]}, median (least)", median_ms(home, *words), bar)


def _fill(home: Path) -> None:
    """Store many frames as copies of one real row, with the sums settling would have written."""
    write_run(home / "frames", 1)
    timed_s(home, "scan", str(home / "frames"))
    engine = open_store(str(home / "night.sqlite"), Settings())
    with reading(engine) as connection:
        tables = (m.run, m.frame, m.header, m.file, m.run_sum)
        run, frame, header, file, run_sum = (
            dict(connection.execute(select(table)).mappings().one()) for table in tables
        )
    numbers = range(2, STORED + 1)
    with writing(engine) as connection:
        nights = [f"{2020 + i // 350}-{1 + i // 30 % 12:02d}-{1 + i % 30:02d}" for i in range(RUNS)]
        runs = [run | {"id": 2 + i, "night": night} for i, night in enumerate(nights)]
        connection.execute(insert(m.run), runs)
        connection.execute(
            insert(m.frame),
            [frame | {"id": i, "run_id": 2 + i % RUNS, "content_key": _key(i)} for i in numbers],
        )
        connection.execute(insert(m.header), [header | {"id": i, "frame_id": i} for i in numbers])
        connection.execute(
            insert(m.file),
            [file | {"id": i, "header_id": i, "path": b"/n/%d.fits" % i} for i in numbers],
        )
        filters = [("M 33", name) for name in "L R G B Ha OIII SII".split()]
        sums = [
            run_sum | {"run_id": 2 + i, "target": target, "filter": name}
            for i in range(RUNS)
            for target, name in filters
        ]
        connection.execute(insert(m.run_sum), sums)
    engine.dispose()


def _key(number: int) -> str:
    return hashlib.blake2b(str(number).encode(), digest_size=16).hexdigest()


def night_lines(home: Path) -> Iterator[Line]:
    """Scan a night of full-size frames with two workers."""
    made = make_nights(home / "frames", scale="full")
    lights = sum(truth.kind == "light" for truth in made)
    seconds, peak = watched(home, "scan", str(home / "frames"), "--workers", str(WORKERS))
    yield Line(f"scan of {len(made)} 8 Mpx frames, {lights} of them lights", f"{seconds:.1f} s")
    yield Line("  frames a second", f"{len(made) / seconds:.1f}", "6 or more")
    yield Line("  peak resident memory, a worker", f"{peak.worker / 1e6:.0f} MB", "under 400 MB")
    yield Line("  peak resident memory, the parent", f"{peak.parent / 1e6:.0f} MB")


def again_lines(home: Path) -> Iterator[Line]:
    """Scan very many small files, then scan them again with nothing changed."""
    folder = home / "frames"
    _write_darks(folder)
    seconds = timed_s(home, "scan", str(folder), "--workers", str(WORKERS))
    yield Line(f"first scan of {UNCHANGED:,} tiny dark frames", f"{seconds:.0f} s")
    began = time.perf_counter()
    found = sum(1 for _ in Walk().files([os.fsencode(folder)]))
    walk = time.perf_counter() - began
    again = min(timed_s(home, "scan", str(folder)) for _ in range(3))
    yield Line(f"walk of {found:,} files alone", f"{walk:.2f} s")
    yield Line("second scan, the whole command", f"{again:.2f} s")
    yield Line("  on top of the walk", f"{again - walk:.2f} s", "under 1 s")


def _write_darks(folder: Path) -> None:
    rng = np.random.default_rng(1)
    for i in range(UNCHANGED):
        pixels = rng.integers(90, 110, (8, 8)).astype(np.uint16)
        start = f"2026-{1 + i // 834:02d}-{1 + i // 30 % 28:02d}T{i % 24:02d}:{i % 60:02d}:00"
        name = folder / f"night_{i // 100:03d}" / f"dark_{i:05d}.fits"
        write_frame(name, pixels, IMAGETYP="Dark Frame", FILTER=None, DATE__OBS=start)


if __name__ == "__main__":
    main()
