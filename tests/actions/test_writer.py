"""What writing down a batch of files costs: each header is parsed once, few statements a batch."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from runlog.actions import interpret
from runlog.actions import scan as scan_action
from runlog.actions.batches import Batches
from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.ingest import read
from tests.tools import content, noise, write_frame, write_run

FRAMES = scan_action.BATCH_FRAMES
# Runs, targets, rig, corrections ...: what is asked or told once a batch, however many its files.
MOST_STATEMENTS = 20


class Costs:
    """Counts of parsed headers and of statements while batches are written."""

    def __init__(self) -> None:
        self.parsed = 0
        self.statements: list[str] = []
        self.writing = False


@contextmanager
def counted(monkeypatch: pytest.MonkeyPatch, database: Path, folder: Path) -> Iterator[Costs]:
    """Scan a folder in this process, one batch in one transaction, and count what it takes."""
    costs = Costs()
    for module in (read, interpret):
        monkeypatch.setattr(module, "parse_header", _spy(costs, module.parse_header))
    monkeypatch.setattr(scan_action, "FEW", 100)
    monkeypatch.setattr(scan_action, "BATCH_SECONDS", 600.0)
    monkeypatch.setattr(Batches, "write", _watched(costs, Batches.write))
    engine = open_store(str(database), Settings())

    def count(_c: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        if costs.writing:
            costs.statements.append(statement)

    event.listen(engine, "before_cursor_execute", count)
    try:
        scan(engine, Settings(), [os.fsencode(folder)])
        yield costs
    finally:
        engine.dispose()


def _spy(costs: Costs, real: Any) -> Any:
    def parse(*arguments: Any) -> Any:
        costs.parsed += 1
        return real(*arguments)

    return parse


def _watched(costs: Costs, real: Any) -> Any:
    def write(self: Batches, batch: Any) -> Any:
        costs.writing = True
        written = real(self, batch)
        costs.writing = False
        return written

    return write


def test_new_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A batch of new files: every header is parsed once, by whoever read the file."""
    write_run(tmp_path / "frames", FRAMES)
    with counted(monkeypatch, tmp_path / "night.sqlite", tmp_path / "frames") as costs:
        assert costs.parsed == FRAMES
        assert 0 < len(costs.statements) <= MOST_STATEMENTS
    assert len(content(tmp_path / "night.sqlite")["frame"]) == FRAMES


def test_plain_copies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy with the same header adds no meaning but that of its own path: one parse a file."""
    folder = tmp_path / "frames"
    write_frame(folder / "a.fits", noise(1))
    shutil.copy(folder / "a.fits", folder / "b.fits")
    with counted(monkeypatch, tmp_path / "night.sqlite", folder) as costs:
        # Each file where it is read; the header as the first path's, for the second came later.
        assert costs.parsed == 3


def test_copies_that_differ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Headers of several copies are compared, so those are parsed again: for copies alone."""
    folder = tmp_path / "frames"
    write_run(folder, 5)
    write_frame(folder / "z_copy.fits", noise(1), OBJECT="M 101")
    write_frame(folder / "z_more.fits", noise(1), OBJECT="M 102")
    with counted(monkeypatch, tmp_path / "night.sqlite", folder) as costs:
        assert 7 < costs.parsed <= 7 + 2 + 3
