"""Where real frames lie, for tests and benches; they are no part of this repository."""

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import pytest

BESIDE = Path(__file__).resolve().parents[2] / "shared" / "frames"


@dataclass(frozen=True)
class Reference:
    """What independent work on one frame's pixels gives; None: nothing to compare with."""

    file: str
    fwhm_px: float | None
    fwhm_tol_pct: float | None
    eccentricity: float | None
    ecc_tol: float | None
    angle_deg: float | None
    angle_tol_deg: float | None
    background_adu: float | None
    background_tol_pct: float | None
    noise_adu: float | None
    noise_tol_pct: float | None
    kind: str | None
    night: str | None
    streaks: int | None


def real_folder() -> Path | None:
    """Find the folder of real frames: the one named, else the one beside the checkout."""
    named = os.environ.get("RUNLOG_REAL_FRAMES")
    folder = Path(named) if named else BESIDE
    return folder if folder.is_dir() else None


def real_frames() -> Path:
    """Give the folder of real frames, or skip the test and say so."""
    folder = real_folder()
    if folder is None:
        pytest.skip("no real frames here: name their folder with RUNLOG_REAL_FRAMES")
    return folder


def read_references(folder: Path) -> list[Reference]:
    """Read references.tsv; an empty cell is None."""
    with (folder / "references.tsv").open(encoding="utf-8", newline="") as file:
        return [_reference(row) for row in csv.DictReader(file, delimiter="\t")]


def _reference(row: dict[str, str]) -> Reference:
    numbers = {
        name: float(row[name]) if row[name] else None
        for name in Reference.__dataclass_fields__
        if name not in ("file", "kind", "night", "streaks")
    }
    return Reference(
        file=row["file"],
        kind=row["kind"] or None,
        night=row["night"] or None,
        streaks=int(row["streaks"]) if row["streaks"] else None,
        **numbers,
    )
