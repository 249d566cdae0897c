"""Scan two thousand spoilt files beside good ones: python -m tests.bench.faults.

Every file must end as a frame or as a failure in words, the good ones as they are alone, their
totals as their headers say; no traceback, no hang, memory bounded. What did not hold is printed.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.faults.trial import run, tell


def main() -> int:
    """Run the trial and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=2000, help="spoilt files, without the bombs")
    parser.add_argument("--bombs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="an empty folder to leave everything in")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="runlog-faults-") as temporary:
        home = asked.keep or Path(temporary)
        home.mkdir(parents=True, exist_ok=True)
        trial = run(home, asked.seed, asked.files, asked.bombs, asked.workers)
        tell(trial, print)
    return int(bool(trial.broken))


if __name__ == "__main__":
    sys.exit(main())
