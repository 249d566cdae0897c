"""What a page costs beside `runlog night`, how large it is, and on how many sheets it prints.

    python -m tests.bench.page DATABASE [--nights 12] [--season 2026-27]

Processor time is user and system time of a process of its own, the least of three. Sheets need
Chromium.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.browser import CHROMIUM, MISSING, pages_of

TRIES = 3


def cpu_s(database: str, *words: str) -> tuple[float, str]:
    """Give the least processor time of a command, and what it wrote."""
    spent, out = [], ""
    for _ in range(TRIES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        out = subprocess.run(
            [sys.executable, "-m", "runlog", "--db", database, *words],
            check=True,
            capture_output=True,
            text=True,
            env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        ).stdout
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(spent), out


def row(database: str, folder: Path, name: str, words: Sequence[str], beside_s: float) -> str:
    """Measure one page."""
    page = folder / "page.html"
    spent_s, _ = cpu_s(database, "report", *words, "-o", str(page))
    text = page.read_text(encoding="utf-8")
    rigs = text.count('<section class="sheet')
    sheets = pages_of(page) if CHROMIUM else None
    said = f"{sheets} for {rigs}" if sheets is not None else MISSING
    kilobytes = len(text.encode()) / 1000
    return f"{name:<24} {spent_s:6.2f} {spent_s / beside_s:6.2f} {kilobytes:8.0f}  {said}"


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("database")
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--season", default="2026-27")
    asked = parser.parse_args()
    _, listed = cpu_s(asked.database, "nights", "--json")
    nights = sorted({found["night"] for found in json.loads(listed)["rows"] if found["night"]})
    print(f"{'page':<24} {'CPU s':>6} {'times':>6} {'kB':>8}  sheets for rigs")
    with tempfile.TemporaryDirectory() as folder:
        for night in nights[-asked.nights :]:
            beside_s, _ = cpu_s(asked.database, "night", night)
            print(row(asked.database, Path(folder), night, [night], beside_s), flush=True)
        beside_s, _ = cpu_s(asked.database, "night")
        words = ["--season", asked.season]
        print(row(asked.database, Path(folder), f"season {asked.season}", words, beside_s))


if __name__ == "__main__":
    main()
