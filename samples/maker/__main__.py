"""Command line of the maker: python -m samples.maker FOLDER."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from .make import make_nights
from .scenario import SCALES
from .write import write_truths


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m samples.maker", description="Make sample nights of an invented rig."
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--nights", type=int, help="default: demo 3, small 2, full 1")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--scale", choices=list(SCALES), default="demo")
    parser.add_argument("--workers", type=int, help="processes; default: one a core")
    parser.add_argument(
        "--truth", action="store_true", help="also write truth.json: what every file was drawn with"
    )
    return parser.parse_args()


def _show(done: int, total: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{done} of {total} frames", end="", file=sys.stderr, flush=True)


def main() -> None:
    """Make the nights that the command line asks for."""
    asked = _arguments()
    with ProcessPoolExecutor(asked.workers) as executor:
        truths = make_nights(
            asked.folder,
            seed=asked.seed,
            nights=asked.nights,
            scale=asked.scale,
            progress=_show,
            executor=executor,
        )
    print(f"\r{len(truths)} files in {asked.folder}", file=sys.stderr)
    if asked.truth:
        write_truths(asked.folder / "truth.json", truths)


if __name__ == "__main__":
    main()
