"""Try trouble with disks and databases: python -m tests.bench.disks [--seed N] [--kind WORD].

Each kind of trouble is drawn so many times with a seed. What must hold: words with what to do and
exit code 3, no traceback, nothing lost, and once the trouble is over the end that undisturbed
work has. What did not hold is printed; what cannot be tried here is said to be not tried.
"""

import argparse
import sys
import tempfile
from pathlib import Path
from random import Random

from tests.disks.kinds import KINDS
from tests.disks.world import World


def main() -> int:
    """Run the kinds asked for and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", default="", help="a word of the kind's name")
    parser.add_argument("--times", type=int, default=5, help="how often each is drawn")
    asked = parser.parse_args()
    broken = 0
    with tempfile.TemporaryDirectory(prefix="runlog-disks-") as folder:
        world = World(Path(folder)).make()
        print(f"{'kind':<58} {'tried':>5} {'held':>5}  seed", flush=True)
        for name, trial in KINDS.items():
            if asked.kind in name:
                faults = list(trial(world, Random(f"{asked.seed} {name}"), asked.times))
                held = faults.count("")
                told = f"{len(faults):5} {held:5}" if faults else "  not tried"
                print(f"{name:<58} {told}  {asked.seed}", flush=True)
                print("".join(f"    {fault}\n" for fault in faults if fault), end="", flush=True)
                broken += len(faults) - held
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
