"""Measure and grade real frames, and hold every number against independent work on their pixels.

``python -m tests.bench.real FOLDER`` scans the folder by the real command into a fresh database and
prints each cell of its references.tsv beside what runlog says. The folder's README names where the
frames come from and what the references are.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench import readouts
from tests.real import Reference, read_references

Row = dict[str, Any]


@dataclass(frozen=True)
class Cell:
    """One number of one frame: what runlog says, what the reference says, how far apart is fair."""

    file: str
    what: str
    found: float | str | None
    asked: float | str
    tolerance: float = 0.0

    @property
    def off(self) -> float | None:
        """How far the two lie apart; None where runlog says nothing."""
        if self.found is None or isinstance(self.asked, str) or isinstance(self.found, str):
            return None
        if self.what == "angle":
            return abs((self.found - self.asked + 90) % 180 - 90)
        return abs(self.found - self.asked)

    @property
    def passed(self) -> bool:
        """Whether the two agree within the reference's tolerance."""
        if self.off is None:
            return self.found == self.asked
        return self.off <= self.tolerance

    def __str__(self) -> str:
        found = f"{self.found:.4g}" if isinstance(self.found, float) else str(self.found)
        asked = f"{self.asked:.4g}" if isinstance(self.asked, float) else str(self.asked)
        off = "" if self.off is None else f"off by {self.off:.3g} of {self.tolerance:.3g}"
        word = "pass" if self.passed else "FALLS SHORT"
        return f"{self.file:46s} {self.what:12s} {found:>12s} {asked:>12s}  {off:26s} {word}"


@dataclass(frozen=True)
class Scanned:
    """A folder scanned into a database of its own."""

    folder: Path
    database: Path
    said: str  # what the scan wrote beside its data

    def rows(self, *words: str) -> list[Row]:
        """Ask the command for a listing's rows."""
        return list(json.loads(runlog(self.database, *words, "--json").stdout)["rows"])

    def frames(self) -> dict[str, Row]:
        """Give the rows of all frames by their path below the folder, copies included."""
        return {
            os.path.relpath(path, self.folder): row
            for row in self.rows("frames")
            for path in row["paths"] or [row["path"]]
        }


def runlog(database: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run the real command on a database."""
    command = [sys.executable, "-m", "runlog", "--db", str(database), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def scan(folder: Path, home: Path) -> Scanned:
    """Scan a folder into a fresh database."""
    database = home / "real.sqlite"
    done = runlog(database, "scan", str(folder))
    return Scanned(folder, database, done.stderr)


def cells(reference: Reference, row: Row) -> Iterator[Cell]:
    """Give every cell the reference fills, beside what runlog says."""
    ref, file = reference, reference.file
    streaks = row.get("streaks")
    for what, found, asked, tolerance in (
        ("fwhm", row.get("fwhm_px"), ref.fwhm_px, _share(ref.fwhm_px, ref.fwhm_tol_pct)),
        ("eccentricity", row.get("eccentricity"), ref.eccentricity, ref.ecc_tol or 0.0),
        ("angle", row.get("elongation_deg"), ref.angle_deg, ref.angle_tol_deg or 0.0),
        (
            "background",
            row.get("background_adu"),
            ref.background_adu,
            _share(ref.background_adu, ref.background_tol_pct),
        ),
        ("noise", row.get("noise_adu"), ref.noise_adu, _share(ref.noise_adu, ref.noise_tol_pct)),
        ("kind", row.get("kind"), ref.kind, 0.0),
        ("night", row.get("night"), ref.night, 0.0),
        ("streaks", None if streaks is None else float(len(streaks)), ref.streaks, 0.0),
    ):
        if asked is not None:
            yield Cell(file, what, found, asked, tolerance)


def _share(value: float | None, percent: float | None) -> float:
    return (value or 0.0) * (percent or 0.0) / 100


def reference_cells(scanned: Scanned) -> list[Cell]:
    """Give every cell of the folder's references."""
    rows = scanned.frames()
    return [
        cell
        for reference in read_references(scanned.folder)
        for cell in cells(reference, rows.get(reference.file, {}))
    ]


def grade_lines(scanned: Scanned) -> Iterator[str]:
    """Say per night how the frames were graded, and why; and each read-out fault by its frame."""
    rows = scanned.rows("frames")
    for night in sorted({str(row["night"]) for row in rows}):
        among = [row for row in rows if str(row["night"]) == night]
        grades = Counter(row["grade"] for row in among)
        faults = Counter(fault for row in among for fault in row["faults"] or ())
        yield f"{night:12s} {dict(grades)} {dict(faults)}"
    for row in rows:
        if "readout" in (row["faults"] or ()):
            yield f"readout on {row['path']}: {row['evidence']['readout']}"


def main(words: Sequence[str] | None = None) -> int:
    """Scan, compare, print; 1 when a cell falls short."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--all", action="store_true", help="print the cells that pass as well")
    parser.add_argument(
        "--readouts", action="store_true", help="spoil rows of frames and ask again"
    )
    options = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as home:
        scanned = scan(options.folder.resolve(), Path(home))
        print(scanned.said)
        found = reference_cells(scanned)
        for cell in found:
            if options.all or not cell.passed:
                print(cell)
        passed = sum(cell.passed for cell in found)
        print(f"{passed} of {len(found)} cells within their tolerance")
        print("\n".join(grade_lines(scanned)))
    if options.readouts:
        readouts.report(readouts.measure(options.folder))
    return 0 if passed == len(found) else 1


if __name__ == "__main__":
    sys.exit(main())
