"""Scan folders whose files move meanwhile: python -m tests.bench.motion [--seed N] [--rounds N].

In each round forty files are written, renamed, saved again, packed, moved and deleted at random
moments of a scan. Then they settle, and two more scans must find every exposure once, totals as
the headers say, nothing doubled, nothing lost, no file written to. What did not hold is printed.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.moving import SCRIPTS, run


def main() -> int:
    """Run the rounds and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--other-disk", type=Path, help="a folder on another disk (/dev/shm)")
    asked = parser.parse_args()
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


def _round(asked: argparse.Namespace, seed: int):  # type: ignore[no-untyped-def]
    names = random.Random(seed).choices(list(SCRIPTS), k=asked.files)
    with (
        tempfile.TemporaryDirectory(prefix="runlog-motion-") as home,
        tempfile.TemporaryDirectory(prefix="runlog-motion-", dir=asked.other_disk) as other,
    ):
        return run(Path(home), seed, names, other_disk=Path(other))


if __name__ == "__main__":
    sys.exit(main())
