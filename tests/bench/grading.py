"""How right the grading is on the labelled nights: python -m tests.bench.grading FOLDER.

FOLDER was filled by `python -m tests.bench.nights FOLDER`. The scan is stored there and used
again until measuring or the tables change; grading and story always run as they are now.
"""

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from runlog.core.grading.policy import Policy

from .graded import Result, database, limits_of, read_result
from .nights import NightTruth, read_truths
from .order import order_lines
from .regrading import regrading_line
from .tables import (
    confusion_lines,
    event_lines,
    fault_lines,
    frame_line,
    night_lines,
    true_class,
    wrong,
)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=("tune", "held-out", "both", "unseen"), default="tune")
    parser.add_argument("--list", action="store_true", help="misjudged frames and events")
    parser.add_argument("--edges", action="store_true", help="list edge cases too")
    parser.add_argument("--night", nargs="*", default=[], help="every frame of these nights")
    parser.add_argument("--rescan", action="store_true", help="measure all frames again")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--order", action="store_true", help="check that order changes nothing")
    parser.add_argument("--regrade", type=int, default=0, metavar="N", help="time N stored frames")
    return parser.parse_args()


def _chosen(nights: Sequence[NightTruth], half: str) -> list[NightTruth]:
    return [night for night in nights if half in ("both", night.half)]


def print_tables(result: Result, nights: Sequence[NightTruth], half: str) -> None:
    """Print all tables for the nights chosen."""
    print(f"{len(nights)} nights, {len(result.frames)} light frames, half: {half}; "
          f"graded in {result.settle_s:.1f} s\n")  # fmt: skip
    print(f"{'':44s} {'frames':>5s} {'not keep':>10s} {'right':>10s}    asked")
    for line in fault_lines(result.frames):
        print(line)
    print()
    for line in night_lines(result.frames):
        print(line)
    print()
    for text in event_lines(result, nights, limits_of(Policy()))[0]:
        print(text)
    print()
    for text in confusion_lines(result.frames):
        print(text)


def print_list(result: Result, nights: Sequence[NightTruth], edges: bool) -> None:
    """Print what was misjudged, with the evidence."""
    print("\nmisjudged frames")
    for graded in result.frames:
        edge = edges and "(edge)" in true_class(graded)
        if wrong(graded) or edge:
            print(f"{true_class(graded):18s} {frame_line(graded)}")
    print("\nmisjudged events")
    for text in event_lines(result, nights, limits_of(Policy()))[1]:
        print(text)


def print_nights(result: Result, names: Sequence[str]) -> None:
    """Print every frame and event of some nights."""
    for name in names:
        print()
        for graded in (g for g in result.frames if g.night.name == name):
            print(frame_line(graded))
        for told in result.events.get(name, []):
            print(f"{told.span.kind} {told.span.first}-{told.span.last}: {told.text}")
        for part, verdict in result.verdicts.get(name, {}).items():
            print(f"{part}: {verdict.verdict} ({verdict.evidence})")


def main() -> None:
    """Report on the nights that the command line asks for."""
    asked = _arguments()
    began = time.perf_counter()
    every = read_truths(asked.folder)
    engine = database(asked.folder, every, rescan=asked.rescan, workers=asked.workers)
    nights = _chosen(every, asked.half)
    result = read_result(engine, asked.folder, nights)
    print_tables(result, nights, asked.half)
    if asked.list or asked.edges:
        print_list(result, nights, asked.edges)
    print_nights(result, asked.night)
    if asked.order:
        print()
        for line in order_lines(asked.folder, every, engine):
            print(line)
    if asked.regrade:
        print("\n" + regrading_line(asked.folder / "bench.sqlite", asked.regrade))
    print(f"\n({time.perf_counter() - began:.1f} s in all)")


if __name__ == "__main__":
    main()
