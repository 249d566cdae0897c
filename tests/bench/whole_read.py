"""Scan the cases, grade them with the code as it is now, and read what the commands say of them.

Measured pixels are kept beside the nights and serve every checkout that measures alike. Databases
are of one checkout: they are kept in a folder of their own and graded again on every run. What is
read back is what `runlog frames`, `night` and `totals` print, so that it is what a person gets.
"""

import hashlib
import json
import os
import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from sqlalchemy.schema import CreateTable

from runlog.actions.scan import scan
from runlog.cli import cli
from runlog.config import Settings
from runlog.store import models
from runlog.store.engine import open_engine
from runlog.store.migrate import ready

from .graded import NOTED, frames_folder, regrade
from .labels import FrameLabel
from .measured import Kept, answered_from, measure_missing, measured_as
from .nights import NightTruth
from .whole_cases import Case

WIDE = {"COLUMNS": "2000"}  # cells, so that no sentence is broken


@dataclass(frozen=True, slots=True)
class Event:
    """An event as told, in frame numbers; -1 where its frame is not one of the night's lights."""

    kind: str
    first: int
    last: int
    text: str
    cost_s: float

    def __str__(self) -> str:
        return f"{self.kind} {self.first}-{self.last} ({self.text})"


@dataclass(frozen=True, slots=True)
class Seen:
    """One frame: what is true of it and what was said of it."""

    label: FrameLabel
    row: dict[str, Any]

    @property
    def grade(self) -> str:
        """The grade it was given."""
        return str(self.row["grade"])

    @property
    def kept(self) -> bool:
        """Tell whether it was graded keep."""
        return self.grade == "keep"

    @property
    def named(self) -> list[str]:
        """Name the faults given that change a grade, the first first."""
        return [name for name in self.row["faults"] if name not in NOTED]

    @property
    def first(self) -> str | None:
        """Name the first of them."""
        return next(iter(self.named), None)

    @property
    def said(self) -> str:
        """Quote grade, faults and evidence."""
        evidence = "; ".join(f"{name}: {text}" for name, text in self.row["evidence"].items())
        return f"{self.grade} [{evidence or self.row['note'] or ''}]"


@dataclass(frozen=True, slots=True)
class Night:
    """One night within one case, with all that was told of it."""

    case: Case
    truth: NightTruth
    frames: list[Seen]
    events: list[Event]
    verdicts: dict[str, dict[str, str]]
    report: dict[str, Any]  # as `runlog night --json` has it
    text: str  # as `runlog night` prints it

    @property
    def kind(self) -> str:
        """What the night is an example of."""
        return self.truth.kind

    @property
    def judged(self) -> bool:
        """Tell whether the case is about this night."""
        return self.truth.name in self.case.judged

    def opinion(self, part: str) -> str:
        """Give the verdict on a part of the rig."""
        return self.verdicts.get(part, {}).get("verdict", "missing")

    def told(self, *kinds: str) -> list[Event]:
        """Give the events of some kinds."""
        return [event for event in self.events if event.kind in kinds]


class Bench:
    """The drawn nights and this checkout's databases of them."""

    def __init__(self, folder: Path, work: Path | None, truths: Sequence[NightTruth]) -> None:
        self.folder = folder.absolute()
        self.truths = {truth.name: truth for truth in truths}
        self.kept = Kept(self.folder)
        self.work = work or self.folder / f"graded-{_checkout()}"
        self.work.mkdir(parents=True, exist_ok=True)
        self.runner = CliRunner()

    def files(self, case: Case) -> list[bytes]:
        """List the files that a scan of a case is given, or the folders they lie in."""
        folders = [frames_folder(self.folder, self.truths[name]) for name in case.nights]
        if case.frames is None:
            return [os.fsencode(folder) for folder in folders]
        every = (sorted(folder.glob("*.fits"))[: case.frames] for folder in folders)
        return [os.fsencode(path) for some in every for path in some]

    def measure(self, names: Sequence[str], workers: int) -> None:
        """Measure what was not measured yet."""
        folders = (frames_folder(self.folder, self.truths[name]) for name in names)
        found = sorted(f for folder in folders for f in folder.rglob("*.fits"))
        measure_missing(self.kept, [os.fsencode(f) for f in found], workers)

    def database(self, case: Case, *, rescan: bool) -> Path:
        """Give a case's database as this checkout grades it."""
        path = self.work / f"{case.name}.sqlite"
        note = path.with_suffix(".stamp")
        stamp = self._stamp(case)
        if not rescan and path.exists() and note.exists() and note.read_text() == stamp:
            engine = ready(open_engine(str(path)))
            regrade(engine, Settings())
            engine.dispose()
            return path
        note.unlink(missing_ok=True)
        self.scan_into(path, [self.files(case)])
        note.write_text(stamp)
        return path

    def _stamp(self, case: Case) -> str:
        """Say what a case's database depends on: the files, how they are measured, the tables."""
        found = [Path(os.fsdecode(place)) for place in self.files(case)]
        files = [f for place in found for f in ([place] if place.is_file() else place.rglob("*"))]
        states = sorted((str(f), f.stat().st_mtime_ns) for f in files)
        seen = hashlib.sha256(repr(states).encode()).hexdigest()
        return f"{measured_as()} {_tables()} {case} {seen}"

    def scan_into(self, path: Path, scans: Sequence[Sequence[bytes]]) -> None:
        """Make a new database by one scan after another."""
        for old in path.parent.glob(path.name + "*"):
            old.unlink()
        shutil.copyfile(self._empty(), path)
        engine = ready(open_engine(str(path)))
        with answered_from(self.kept):
            for files in scans:
                report = scan(engine, Settings(), list(files))
                if report.failed or report.problems:
                    raise SystemExit(f"{path}: {report.failed[:3]} {report.problems[:3]}")
        engine.dispose()

    def _empty(self) -> Path:
        """Give a database with tables and nothing in them; making one takes a second."""
        path = self.work / f"empty-{_tables()[:12]}.db"
        if not path.exists():
            ready(open_engine(str(path))).dispose()
        return path

    def says(self, path: Path, *words: str) -> str:
        """Give what a command prints."""
        result = self.runner.invoke(cli, ["--db", str(path), *words], env=WIDE)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.stdout

    def read(self, case: Case, *, rescan: bool = False) -> list[Night]:
        """Grade a case and read all of its nights."""
        path = self.database(case, rescan=rescan)
        rows = {row["path"]: row for row in json.loads(self.says(path, "frames", "--json"))["rows"]}
        return [self._night(case, path, self.truths[name], rows) for name in case.nights]

    def _night(
        self, case: Case, path: Path, truth: NightTruth, rows: dict[str, dict[str, Any]]
    ) -> Night:
        places = {str(self.folder / truth.folder / f.file): f for f in truth.frames}
        frames = [Seen(label, rows[place]) for place, label in places.items() if place in rows]
        wanted = len(truth.frames) if case.frames is None else case.frames
        if len(frames) != wanted:
            raise SystemExit(f"{case.name}: {len(frames)} of {wanted} frames are in the database")
        frames.sort(key=lambda seen: seen.label.number)
        report = json.loads(self.says(path, "night", truth.evening, "--json"))
        events = [_event(event, places) for event in report["events"]]
        text = self.says(path, "night", truth.evening)
        return Night(case, truth, frames, events, report["verdicts"], report, text)


def _event(event: dict[str, Any], places: dict[str, FrameLabel]) -> Event:
    ends = (places.get(event[end]) for end in ("first", "last"))
    first, last = (label.number if label else -1 for label in ends)
    return Event(event["kind"], first, last, event["text"], event["cost_s"])


def _tables() -> str:
    tables = "".join(str(CreateTable(table)) for table in models.metadata.sorted_tables)
    return hashlib.sha256(tables.encode()).hexdigest()


def _checkout() -> str:
    """Name the checkout whose code runs, so that two do not share databases."""
    import runlog

    return hashlib.sha256(str(Path(runlog.__file__).parent).encode()).hexdigest()[:8]


def timed(began: float) -> str:
    """Say how long it took."""
    return f"({time.perf_counter() - began:.1f} s)"
