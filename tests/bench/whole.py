"""How right whole nights are told: python -m tests.bench.whole FOLDER.

FOLDER was filled by `python -m tests.bench.whole_draw FOLDER`. Measured pixels are kept there;
databases of this checkout too, in a folder of their own (or in --work). Grading, story and hours
always run as they are now.
"""

import argparse
import os
import time
from collections.abc import Sequence
from pathlib import Path

from .nights import read_truths
from .whole_bars import Bar, clean_bars, say_frame, throughout_bars
from .whole_cases import all_cases, chosen
from .whole_hours import hours_bars
from .whole_order import order_bars
from .whole_read import Bench, Night
from .whole_time import time_bars

MOST_LISTED = 12  # misses a bar, without --all


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--case", nargs="*", default=[], help="parts of names of cases")
    parser.add_argument("--show", action="store_true", help="print every frame and the night")
    parser.add_argument("--list", action="store_true", help="what missed its bar, with evidence")
    parser.add_argument("--all", action="store_true", help="list every miss, not only some")
    parser.add_argument("--short", action="store_true", help="print only bars that fall short")
    parser.add_argument("--rescan", action="store_true", help="make the databases again")
    parser.add_argument("--order", type=int, default=0, metavar="N", help="try N random orders")
    parser.add_argument("--order-seed", type=int, default=1)
    parser.add_argument("--work", type=Path, help="where this checkout's databases are kept")
    parser.add_argument("--workers", type=int, default=1)
    return parser.parse_args()


def print_bars(title: str, bars: Sequence[Bar], asked: argparse.Namespace) -> int:
    """Print a table of bars; give how many fall short."""
    short = [bar for bar in bars if bar.word == "FALLS SHORT"]
    shown = short if asked.short else [bar for bar in bars if bar.count]
    if shown:
        print(f"\n{title}")
    for bar in shown:
        print(bar)
        if asked.list and bar.misses:
            most = len(bar.misses) if asked.all else MOST_LISTED
            for miss in bar.misses[:most]:
                print(f"      {miss}")
            if len(bar.misses) > most:
                print(f"      ... and {len(bar.misses) - most} more")
    return len(short)


def show_night(night: Night) -> None:
    """Print every frame of a night, and the night as the command tells it."""
    print(f"\n=== {night.case.name}: {night.truth.name}")
    for seen in night.frames:
        print(say_frame(night, seen))
    for event in night.events:
        print(event)
    print(night.text)


def main() -> None:
    """Report on the cases that the command line asks for."""
    asked = _arguments()
    began = time.perf_counter()
    os.environ["RUNLOG_CONFIG"] = os.devnull
    bench = Bench(asked.folder, asked.work, read_truths(asked.folder))
    cases = chosen(all_cases(bench.truths), asked.case)
    bench.measure(sorted({name for case in cases for name in case.nights}), asked.workers)
    nights = [night for case in cases for night in bench.read(case, rescan=asked.rescan)]
    if asked.show:
        for night in nights:
            show_night(night)
    short = print_bars("bad from end to end", throughout_bars(nights), asked)
    short += print_bars("clean first nights", clean_bars(nights), asked)
    short += print_bars("hours, events, words", hours_bars(nights), asked)
    short += print_bars("effective time", time_bars(nights), asked)
    if asked.order:
        bars = order_bars(bench, asked.order_seed, asked.order)
        short += print_bars("order of scanning", bars, asked)
    print(f"\n{len(cases)} cases, {len(nights)} nights; {short} bars fall short "
          f"({time.perf_counter() - began:.0f} s)")  # fmt: skip


if __name__ == "__main__":
    main()
