"""How fast and how large a scan is: python -m tests.bench.scan [--part night|again|start|totals].

Prints a table with the bar beside each number. Everything is measured through the real command.
On a machine that does other things too, wall-clock times say little (our workers give way to
everybody): the load is printed, and the processor time beside each time does not depend on it.
"""

import argparse
import hashlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from sqlalchemy import Engine, Table, insert, select

from runlog.actions.open import open_store
from runlog.config import Settings
from runlog.ingest.discover import Walk
from runlog.store import models as m
from runlog.store.engine import reading, writing
from runlog.store.roots import Roots, make_root
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
    show(parts[name] for name in wanted)


def show(parts: Iterable[Callable[[Path], Iterator[Line]]]) -> None:
    """Print the lines of each part, worked out in a folder of its own."""
    print(f"{os.cpu_count()} cores; load before: {os.getloadavg()[0]:.1f}")
    for part in parts:
        with tempfile.TemporaryDirectory() as folder:
            for line in part(Path(folder)):
                print(f"  {line.what:<52} {line.value:>14}   {line.bar}", flush=True)
    print(f"load after: {os.getloadavg()[0]:.1f}")


# --- running ----------------------------------------------------------------------------------


def its_environment(home: Path) -> dict[str, str]:
    threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return environment(home, RUNLOG_DB=str(home / "night.sqlite"), **threads)


def timed_s(home: Path, *words: str) -> tuple[float, float]:
    """Run a command; gives its wall-clock and its processor time."""
    began, before = time.perf_counter(), children_s()
    subprocess.run(argv(*words), env=its_environment(home), check=True, capture_output=True)
    return time.perf_counter() - began, children_s() - before


def children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def median_ms(home: Path, *words: str) -> str:
    """Run a command several times; gives the medians of wall-clock and processor time."""
    took = [timed_s(home, *words) for _ in range(REPEATS)]
    wall, cpu = (1000 * statistics.median(times) for times in zip(*took, strict=True))
    return f"{wall:.0f} (cpu {cpu:.0f}) ms"


@dataclass(slots=True)
class Peak:
    """The largest resident memory seen, in bytes, and processor time of each child."""

    worker: int = 0
    parent: int = 0
    child_s: dict[int, float] = field(default_factory=dict)


def watched(home: Path, *words: str) -> tuple[float, Peak]:
    """Run a command and watch its processes twenty times a second."""
    began, peak = time.perf_counter(), Peak()
    with subprocess.Popen(
        argv(*words), env=its_environment(home), stderr=subprocess.DEVNULL
    ) as run:
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
            used = child.cpu_times()
            peak.child_s[child.pid] = used.user + used.system
    except psutil.Error:
        return  # it ended while we looked


# --- the parts --------------------------------------------------------------------------------


def start_lines(home: Path) -> Iterator[Line]:
    """Time what a person waits for before anything happens."""
    timed_s(home, "--help")  # warm the disk cache
    yield Line("runlog --help, median", median_ms(home, "--help"), "under 150 ms")
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
        yield Line(f"runlog {words[0]}, median", median_ms(home, *words), bar)


def _fill(home: Path) -> None:
    """Store many frames of many runs, with the sums settling would have written."""
    stamps = [(b"/n/%d.fits" % i, 9000, i) for i in range(STORED - 1)]
    engine, run_sum = _store_copies(home, stamps, RUNS)
    filters = [("M 33", name) for name in "L R G B Ha OIII SII".split()]
    sums = [
        run_sum | {"run_id": 2 + i, "target": target, "filter": name}
        for i in range(RUNS)
        for target, name in filters
    ]
    with writing(engine) as connection:
        connection.execute(insert(m.run_sum), sums)
    engine.dispose()


def _store_copies(
    home: Path, stamps: Sequence[tuple[bytes, int, int]], runs: int
) -> tuple[Engine, dict[str, Any]]:
    """Store a frame for each (path, size, mtime) as a copy of one that was really scanned."""
    write_run(home / "one", 1)
    timed_s(home, "scan", str(home / "one"))
    engine = open_store(str(home / "night.sqlite"), Settings())
    with reading(engine) as connection:
        run, frame, header, file, run_sum = (
            dict(connection.execute(select(table)).mappings().one())
            for table in (m.run, m.frame, m.header, m.file, m.run_sum)
        )
    with writing(engine) as connection:
        root_id = make_root(connection, b"/", Roots.load(connection))
    nights = [f"{2020 + i // 350}-{1 + i // 30 % 12:02d}-{1 + i % 30:02d}" for i in range(runs)]
    copies: dict[Table, list[dict[str, Any]]] = {
        m.run: [run | {"id": 2 + i, "night": night} for i, night in enumerate(nights)],
        m.frame: [],
        m.header: [],
        m.file: [],
    }
    for i, (path, size, mtime_ns) in enumerate(stamps, start=2):
        own = {"id": i, "run_id": 2 + i % runs, "content_key": _key(i)}
        copies[m.frame].append(frame | own)
        copies[m.header].append(header | {"id": i, "frame_id": i})
        at = {"root_id": root_id, "path": path[1:], "size": size, "mtime_ns": mtime_ns}
        copies[m.file].append(file | {"id": i, "header_id": i} | at)
    with writing(engine) as connection:
        for table, rows in copies.items():
            connection.execute(insert(table), rows)
    return engine, run_sum


def _key(number: int) -> str:
    return hashlib.blake2b(str(number).encode(), digest_size=16).hexdigest()


def night_lines(home: Path) -> Iterator[Line]:
    """Scan a night of full-size frames with two workers."""
    made = make_nights(home / "frames", scale="full")
    lights = sum(truth.kind == "light" for truth in made)
    seconds, peak = watched(home, "scan", str(home / "frames"), "--workers", str(WORKERS))
    yield Line(f"scan of {len(made)} 8 Mpx frames, {lights} of them lights", f"{seconds:.1f} s")
    yield Line("  frames a second", f"{len(made) / seconds:.1f}", "6 or more")
    cpu_s = sum(peak.child_s.values()) / len(made)
    yield Line("  processor time a frame, in the workers", f"{cpu_s:.2f} s")
    yield Line(f"  frames a second it allows {WORKERS} idle cores", f"{WORKERS / cpu_s:.1f}")
    yield Line("  peak resident memory, a worker", f"{peak.worker / 1e6:.0f} MB", "under 400 MB")
    yield Line("  peak resident memory, the parent", f"{peak.parent / 1e6:.0f} MB")


def again_lines(home: Path) -> Iterator[Line]:
    """Scan very many known files again with nothing changed."""
    folder = home / "frames"
    _write_small(folder)
    found = list(Walk().files([os.fsencode(folder)]))
    engine, _ = _store_copies(home, [(f.path, f.size, f.mtime_ns) for f in found], 100)
    engine.dispose()
    began = time.perf_counter()
    files = sum(1 for _ in Walk().files([os.fsencode(folder)]))
    walk = time.perf_counter() - began
    again, cpu = min(timed_s(home, "scan", str(folder)) for _ in range(5))
    yield Line(f"walk of {files:,} files alone", f"{walk:.2f} s")
    yield Line("second scan, the whole command", f"{again:.2f} (cpu {cpu:.2f}) s")
    yield Line("  on top of the walk", f"{again - walk:.2f} s", "under 1 s")


def _write_small(folder: Path) -> None:
    one = write_frame(folder / "one.fits", np.zeros((16, 16), np.uint16)).read_bytes()
    for i in range(UNCHANGED):
        path = folder / f"night_{i // 100:03d}" / f"frame_{i:05d}.fits"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(one)


if __name__ == "__main__":
    main()
