"""Twenty rigs and 1,000,000 frames on a server: `python -m tests.bench.club DEMO FOLDER`.

    runlog demo
    python -m tests.bench.club runlog-demo/demo.sqlite /tmp/club --sizes 10000 100000 1000000

For each size the nights of one rig are drawn and settled as `tests.bench.large` does, and repeated
on a PostgreSQL of our own for all rigs (`tests/bench/club_draw.py`). Then commands run as a person
runs them, in turn over all sizes, so that a busy spell hits all alike: seconds of the processor,
the command's and the server's together, best of a few. FOLDER takes about 8 GB for the largest.
The scan that finds nothing new looks at 10,000 files, whatever the size. New frames are the demo's
own light frames of one target, of a night after the last, on one rig: 4 and 20 of them.
"""

import argparse
import os
import resource
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import psutil
from astropy.io import fits

from tests.bench import club_draw, large
from tests.servers import Server, running_server
from tests.tools import argv, environment

SIZES = (10_000, 100_000, 1_000_000)
RIGS, RIG = 20, 7  # the rig that has new frames
TURNS = 3
FEW, MANY = 4, 20
MOST, FLAT = 1.5, 1.5  # times the cost with the fewest frames
NAMED = ("totals", "night LAST", "nights", "frames --night LAST", "trends --rig 107", "scan HERE")
SETTINGS = {"shared_buffers": "512MB", "max_wal_size": "4GB", "work_mem": "16MB"}


@dataclass
class Club:
    """A drawn archive on the server."""

    frames: int
    url: str
    last: str = ""
    took: dict[str, list[tuple[float, float]]] = field(default_factory=dict)  # clock, processor

    def best(self, what: str) -> tuple[float, float]:
        """Give the least of clock and processor time."""
        clock, worked = zip(*self.took[what], strict=True)
        return min(clock), min(worked)


class Meter:
    """Counts the processor time of commands and of the server that serves them."""

    def __init__(self, server: Server, home: Path) -> None:
        pid = int((server.folder / "data" / "postmaster.pid").read_text().split()[0])
        self._server, self._home = psutil.Process(pid), home

    def _served_s(self) -> float:
        own = self._server.cpu_times()
        living = sum(sum(c.cpu_times()[:2]) for c in self._server.children())
        return float(sum(own[:4]) + living)

    def run(self, url: str, *words: str) -> tuple[float, float]:
        """Run a command as a person does; gives seconds by the clock and of the processor."""
        env = environment(self._home, RUNLOG_DB=url, OMP_NUM_THREADS="1")
        before, served = resource.getrusage(resource.RUSAGE_CHILDREN), self._served_s()
        began = time.perf_counter()
        done = subprocess.run(argv(*words), env=env, check=False, capture_output=True, text=True)
        took = time.perf_counter() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode:
            print(f"{words} ended with {done.returncode}: {done.stderr[-400:]}", file=sys.stderr)
        own = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return took, own + self._served_s() - served


@contextmanager
def _drawn(server: Server, demo: Path, home: Path, frames: int) -> Iterator[Club]:
    base = home / f"one-{frames // RIGS}.sqlite"
    if not base.exists():
        large.draw(demo, base, frames // RIGS)
    with server.database() as url:
        began = time.perf_counter()
        env = environment(home, RUNLOG_DB=str(base))
        subprocess.run(argv("copy", url), env=env, check=True, capture_output=True)
        copied_s = time.perf_counter() - began
        club_draw.repeat(url, RIGS, home)
        with club_draw.connect(url) as connection:
            query = (
                "SELECT (SELECT count(*) FROM frame), (SELECT max(night) FROM run), "
                "pg_size_pretty(pg_database_size(current_database()))"
            )
            count, last, size = connection.execute(query).fetchone() or (0, "", "")
        print(
            f"{count:,} frames of {RIGS} rigs, {size}: one rig copied in {copied_s:.0f} s, "
            f"drawn in {time.perf_counter() - began:.0f} s",
            flush=True,
        )
        yield Club(count, url, last)


def _write_new(demo: Path, club: Club, to: Path, many: int, turn: int) -> None:
    """Write the demo's lights of one target as a rig's next night, in the field it knows."""
    lights, alike = _not_the_best(demo)
    with club_draw.connect(club.url) as connection:
        query = (
            "SELECT target, ra_deg, dec_deg FROM frame WHERE kind = 'light' AND camera_key = %s "
            "AND target = ANY(%s) AND filter = 'L' AND matched_to IS NOT NULL ORDER BY id LIMIT 1"
        )
        camera = club_draw.camera_of(RIG).replace(" ", "").lower()
        target, ra, dec = connection.execute(query, (camera, alike)).fetchone() or ("", 0.0, 0.0)
    begin = datetime.fromisoformat(club.last) + timedelta(days=2 + turn, hours=20)
    to.mkdir(parents=True, exist_ok=True)
    for number in range(many):
        with fits.open(lights[number % len(lights)]) as hdus:
            header, pixels = hdus[0].header, hdus[0].data
            pixels[0, 0] = 100 * turn + number  # a frame of its own
            start = begin + timedelta(seconds=310 * number)
            header["DATE-OBS"] = start.isoformat(timespec="milliseconds")
            header["INSTRUME"], header["OBJECT"] = club_draw.camera_of(RIG), target
            header["RA"], header["DEC"] = ra, dec
            for name in ("OBJCTRA", "OBJCTDEC", "OBJCTALT", "OBJCTAZ", "AIRMASS"):
                del header[name]
            hdus.writeto(to / f"{number}.fits", overwrite=True)


def _not_the_best(demo: Path) -> tuple[list[Path], list[str]]:
    """Choose lights that nothing is compared with: a better one has its whole field laid anew.

    Gives the targets of the archive that look like theirs as well.
    """
    with closing(sqlite3.connect(demo)) as connection:
        query = (
            "SELECT file.path, target FROM frame JOIN header ON header.frame_id = frame.id "
            "JOIN file ON file.header_id = header.id "
            "WHERE kind = 'light' AND filter = 'L' AND grade = 'keep' "
            "AND target = (SELECT min(target) FROM frame WHERE filter = 'L' AND grade = 'keep') "
            "ORDER BY fwhm_px DESC LIMIT 12"
        )
        found = connection.execute(query).fetchall()
        looks = "SELECT DISTINCT target FROM frame WHERE kind = 'light' ORDER BY target"
        of_look = large.targets_of([target for (target,) in connection.execute(looks)])
    paths = [demo.parent / "nights" / os.fsdecode(path) for path, _ in found]
    return paths, of_look[found[0][1]]


def measure(
    meter: Meter, clubs: Sequence[Club], demo: Path, home: Path, turns: Sequence[int]
) -> None:
    """Run every command in turn on every size; turn -1 only warms up."""
    for turn in turns:
        for name in NAMED:
            for club in clubs:
                words = [w.replace("LAST", club.last) for w in name.split()]
                words = [str(home / "here") if w == "HERE" else w for w in words]
                took = meter.run(club.url, *words)
                if turn >= 0:
                    club.took.setdefault(name, []).append(took)
        for many in (FEW, MANY):
            for club in clubs:
                new = home / "new" / f"{club.frames}" / f"{turn + 1} {many}"
                _write_new(demo, club, new, many, 2 * (turn + 1) + (many == MANY))
                took = meter.run(club.url, "scan", str(new), "--workers", "1")
                if turn >= 0:
                    club.took.setdefault(f"scan of {many} new", []).append(took)
        print(f"  turn {turn + 1} of {len(turns) - 1}", file=sys.stderr, flush=True)


def show(clubs: Sequence[Club]) -> None:
    """Print the tables."""
    heads = [f"{club.frames:,}" for club in clubs]
    print(f"\n| seconds of the processor (clock) | {' | '.join(heads)} | last / first |")
    print("|---" * (len(clubs) + 2) + "|")
    for name in clubs[0].took:
        best = [club.best(name) for club in clubs]
        cells = [f"{worked:.2f} ({clock:.2f})" for clock, worked in best]
        print(f"| `{name}` | {' | '.join(cells)} | {best[-1][1] / best[0][1]:.2f} |")
    slopes = [
        [
            (club.best(f"scan of {MANY} new")[i] - club.best(f"scan of {FEW} new")[i])
            / (MANY - FEW)
            for i in (1, 0)
        ]
        for club in clubs
    ]
    cells = [f"{worked:.3f} ({clock:.3f})" for worked, clock in slopes]
    print(f"| one more new frame | {' | '.join(cells)} | {slopes[-1][0] / slopes[0][0]:.2f} |")


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("demo", type=Path, help="the demo's database, beside its nights")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--turns", type=int, default=TURNS)
    parser.add_argument("--keep", action="store_true", help="wait before all is dropped")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    club_draw.write_here(asked.folder, RIGS)
    with ExitStack() as stack:
        server = stack.enter_context(running_server(**SETTINGS))
        clubs = [
            stack.enter_context(_drawn(server, asked.demo, asked.folder, frames))
            for frames in sorted(asked.sizes)
        ]
        for club in clubs:
            print(club.url, file=sys.stderr, flush=True)
        if asked.keep:
            sys.stdin.readline()
        measure(
            Meter(server, asked.folder), clubs, asked.demo, asked.folder, range(-1, asked.turns)
        )
        show(clubs)


if __name__ == "__main__":
    main()
