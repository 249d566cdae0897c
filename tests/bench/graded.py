"""Scan the labelled nights, grade them with the code as it is now, and read the grades back."""

import hashlib
import json
import math
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.schema import CreateTable

from runlog.actions.frames import frame_rows
from runlog.actions.night import night_reports
from runlog.actions.scan import scan
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.core.grading.faults import bright_sky, cloud, defocused, trailed
from runlog.core.grading.policy import Policy
from runlog.core.selection import Selection
from runlog.core.story.model import Part, PartVerdict
from runlog.store import models
from runlog.store import runs as run_store
from runlog.store.engine import open_engine, writing
from runlog.store.migrate import ready

from .labels import FrameLabel, Limits, Span
from .measured import Kept, answered_from, measure_missing, measured_as
from .nights import NightTruth

NOTED = frozenset(("streak", "clipped", "tilted"))  # faults that change no grade


@dataclass(frozen=True, slots=True)
class Graded:
    """One labelled frame with what was said of it."""

    night: NightTruth
    label: FrameLabel
    row: dict[str, Any]  # as `runlog frames` lists it

    @property
    def kept(self) -> bool:
        """Tell whether it was graded keep."""
        return bool(self.row["grade"] == "keep")

    @property
    def first(self) -> str | None:
        """Name the first fault given that changes a grade."""
        return next((name for name in self.row["faults"] if name not in NOTED), None)

    @property
    def said(self) -> str:
        """Quote grade, faults and evidence."""
        evidence = "; ".join(f"{name}: {text}" for name, text in self.row["evidence"].items())
        return f"{self.row['grade']} [{evidence or self.row['note'] or ''}]"


@dataclass(frozen=True, slots=True)
class GradedLight:
    """A night's events as found, in frame numbers."""

    span: Span
    text: str


@dataclass(frozen=True, slots=True)
class Result:
    """Everything the report needs."""

    frames: list[Graded]
    events: dict[str, list[GradedLight]]  # by name of night
    verdicts: dict[str, Mapping[Part, PartVerdict]]
    settle_s: float


def frames_folder(folder: Path, night: NightTruth) -> Path:
    """Give the folder that a scan of one night is given."""
    return folder / night.folder / "frames"


# --- the stored scan ------------------------------------------------------------------------


def frame_files(folder: Path, nights: Sequence[NightTruth]) -> list[bytes]:
    """List every file a scan of the nights would find."""
    found = (f for night in nights for f in frames_folder(folder, night).rglob("*.fits"))
    return [os.fsencode(f.absolute()) for f in sorted(found)]


def _stamp(files: Sequence[bytes]) -> dict[str, Any]:
    """Say what a stored scan depends on: how frames are measured, the tables, the files."""
    tables = "".join(str(CreateTable(t)) for t in models.metadata.sorted_tables)
    states = [(f, os.stat(f).st_size, os.stat(f).st_mtime_ns) for f in files]
    return {
        "measured": measured_as(),
        "tables": hashlib.sha256(tables.encode()).hexdigest(),
        "files": hashlib.sha256(repr(states).encode()).hexdigest(),
    }


def database(folder: Path, nights: Sequence[NightTruth], *, rescan: bool, workers: int) -> Engine:
    """Open the stored scan of all nights; scan anew when it no longer holds, or when asked."""
    path, note, files = folder / "bench.sqlite", folder / "bench.json", frame_files(folder, nights)
    kept, stamp = Kept(folder), _stamp(files)
    if rescan:
        kept.forget()
    known = json.loads(note.read_text()) if note.exists() else None
    if rescan or known != stamp or not path.exists():
        note.unlink(missing_ok=True)
        measure_missing(kept, files, workers)
        with answered_from(kept):
            scan_into(path, [os.fsencode(frames_folder(folder, night)) for night in nights])
        note.write_text(json.dumps(stamp))
    return ready(open_engine(str(path)))


def scan_into(path: Path, folders: Sequence[bytes]) -> None:
    """Scan into a new database, with the real scan."""
    began = time.perf_counter()
    for old in path.parent.glob(path.name + "*"):
        old.unlink()
    engine = ready(open_engine(str(path)))
    report = scan(engine, Settings(), folders)
    engine.dispose()
    if report.failed or report.problems:
        raise SystemExit(f"the scan failed on {report.failed[:3]} {report.problems[:3]}")
    print(f"scanned {report.new} files in {time.perf_counter() - began:.0f} s", flush=True)


def regrade(engine: Engine, settings: Settings) -> float:
    """Grade everything again with the code as it is now; give the seconds it took."""
    with writing(engine) as connection:
        run_store.touch_all(connection)
    began = time.perf_counter()
    settle_all(engine, settings)
    return time.perf_counter() - began


# --- reading back ---------------------------------------------------------------------------


def read_result(engine: Engine, folder: Path, nights: Sequence[NightTruth]) -> Result:
    """Regrade, then read grades and events of the given nights."""
    settings = Settings()
    seconds = regrade(engine, settings)
    where = _places(folder, nights)
    frames = [
        Graded(*where[row["path"]], row) for row in frame_rows(engine) if row["path"] in where
    ]
    missing = sum(len(night.frames) for night in nights) - len(frames)
    if missing:
        raise SystemExit(f"{missing} frames of these nights are not in the database")
    frames.sort(key=lambda g: (g.night.evening, g.night.rig, g.label.number))
    events, verdicts = _stories(engine, settings, nights, where)
    return Result(frames, events, verdicts, seconds)


def _places(folder: Path, nights: Sequence[NightTruth]) -> dict[str, tuple[NightTruth, FrameLabel]]:
    root = folder.absolute()
    return {
        str(root / night.folder / label.file): (night, label)
        for night in nights
        for label in night.frames
    }


def _stories(
    engine: Engine,
    settings: Settings,
    nights: Sequence[NightTruth],
    where: dict[str, tuple[NightTruth, FrameLabel]],
) -> tuple[dict[str, list[GradedLight]], dict[str, Mapping[Part, PartVerdict]]]:
    events: dict[str, list[GradedLight]] = {night.name: [] for night in nights}
    verdicts: dict[str, Mapping[Part, PartVerdict]] = {}
    by_rig = {(night.evening, night.rig): night for night in nights}
    for evening in sorted({night.evening for night in nights}):
        for report in night_reports(engine, settings, Selection(night=evening)):
            rig = report.rig.split()[0].lower()
            night = by_rig.get((evening, rig))
            if night is None:
                continue
            verdicts[night.name] = report.verdicts
            for event in report.events:
                first, last = where.get(event.first_path), where.get(event.last_path)
                if first is not None and last is not None:
                    span = Span(event.kind, first[1].number, last[1].number)
                    events[night.name].append(GradedLight(span, event.text))
                else:
                    events[night.name].append(GradedLight(Span(event.kind, -1, -1), event.text))
    return events, verdicts


# --- limits ---------------------------------------------------------------------------------

GAUSSIAN_SIGMA = 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))  # of the FWHM


def trail_of_eccentricity(eccentricity: float) -> float:
    """Give the trail, in FWHM, that stretches a round Gaussian star to an eccentricity.

    An even line of length L adds L^2 / 12 to the second moment along it.
    """
    e2 = eccentricity**2
    return GAUSSIAN_SIGMA * math.sqrt(12.0 * e2 / (1.0 - e2))


def limits_of(policy: Policy) -> Limits:
    """Take from the policy where events should begin and end."""
    return Limits(
        cloud_transparency=policy[cloud.TRANSPARENCY].doubtful,
        defocus_ratio=policy[defocused.RATIO].doubtful,
        trail_fwhm=trail_of_eccentricity(policy[trailed.ECCENTRICITY].doubtful),
        sky_ratio=policy[bright_sky.RATIO].doubtful,
    )
