"""Scan folders whose files move meanwhile: python -m tests.bench.motion [--seed N] [--rounds N].

In each round forty files are written, renamed, saved again, packed, moved and deleted at random
moments of a scan. Then they settle, and two more scans must find every exposure once, totals as
the headers say, nothing doubled, nothing lost, no file written to. What did not hold is printed.

--strangers N scans one frame among N files that are none, half of them called .fits, instead.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage

from tests.moving import SCRIPTS, run
from tests.tools import logged_s, runlog, write_run

LENGTH_S = 300.0  # of the one frame
MOST_LINES = 60


def main() -> int:
    """Run the rounds and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--other-disk", type=Path, help="a folder on another disk (/dev/shm)")
    parser.add_argument("--strangers", type=int, default=0, help="files that are no frames")
    asked = parser.parse_args()
    if asked.strangers:
        with tempfile.TemporaryDirectory(prefix="runlog-strangers-") as home:
            return _among_strangers(Path(home), asked.strangers)
    tried: Counter[str] = Counter()
    broken = during = 0
    for number in range(asked.rounds):
        trial = _round(asked, asked.seed * 1000 + number)
        tried += trial.tried
        during += trial.during
        broken += len(trial.broken)
        for words in trial.broken:
            print(f"  round {number}: {words}", flush=True)
    for name, count in tried.items():
        print(f"{name:34} {count:5}")
    print(
        f"{tried.total()} files in {asked.rounds} scans, seed {asked.seed}: {during} changes while "
        f"a scan ran, {broken} things did not hold"
    )
    return int(bool(broken))


def _among_strangers(home: Path, number: int) -> int:
    """Scan one frame among so many other files, twice; its hours must be there, in few words."""
    folder = home / "frames"
    write_run(folder, 1)
    for i in range(number):
        name = f"note_{i:06d}.fits" if i % 2 else f"frame.{i:06d}"
        (folder / name).write_bytes(b"no FITS at all\n" * (1 + i % 40))
    broken = 0
    for turn in ("first", "again"):
        began = time.monotonic()
        done = runlog(home, "scan", folder, timeout_s=3600)
        took_s, largest_kb = time.monotonic() - began, getrusage(RUSAGE_CHILDREN).ru_maxrss
        lines = len((done.stdout + done.stderr).splitlines())
        held = (
            done.returncode == 1
            and "Traceback" not in done.stderr
            and lines < MOST_LINES
            and logged_s(home / "night.sqlite") == LENGTH_S
        )
        broken += not held
        said = "held" if held else f"exit code {done.returncode}, {done.stderr[-2000:]}"
        cost = f"{took_s:.0f} s, {largest_kb / 1024:.0f} MB at most"
        print(f"{turn}: {number:,} strangers, {cost}, {lines} lines: {said}", flush=True)
    return int(bool(broken))


def _round(asked: argparse.Namespace, seed: int):  # type: ignore[no-untyped-def]
    names = random.Random(seed).choices(list(SCRIPTS), k=asked.files)
    with (
        tempfile.TemporaryDirectory(prefix="runlog-motion-") as home,
        tempfile.TemporaryDirectory(prefix="runlog-motion-", dir=asked.other_disk) as other,
    ):
        return run(Path(home), seed, names, other_disk=Path(other))


if __name__ == "__main__":
    sys.exit(main())
