"""Draw the whole nights: python -m tests.bench.whole_draw FOLDER [--seed N] [--only NAME ...].

Below FOLDER every night has a folder of its own, as with `tests.bench.nights`; which of them lie
together in a database is a matter of the cases (`tests.bench.whole_cases`).
"""

import argparse
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

from .nights import make
from .planning import Planned, plan_night
from .whole_scripts import whole_nights

SEED_FILE = "seed.txt"


def plan_whole(seed: int) -> Iterator[Planned]:
    """Plan every night without drawing; each has random numbers of its own."""
    for script in whole_nights(seed):
        yield plan_night(script, (seed, zlib.crc32(script.name.encode())))


def main() -> None:
    """Draw the nights that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="beginnings of names; default: all")
    parser.add_argument("--labels", action="store_true", help="write truth.json only")
    asked = parser.parse_args()
    began = time.perf_counter()
    every = plan_whole(asked.seed)
    nights = [p for p in every if not asked.only or p.script.name.startswith(tuple(asked.only))]
    asked.folder.mkdir(parents=True, exist_ok=True)
    (asked.folder / SEED_FILE).write_text(f"{asked.seed}\n", encoding="utf-8")
    done = make(asked.folder, nights, asked.workers, only_labels=asked.labels)
    print(f"{done} frames in {asked.folder}, {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
