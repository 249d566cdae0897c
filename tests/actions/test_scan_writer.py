"""What cannot be written down costs one file at most; what concerns the database ends the scan."""

import os
import sqlite3
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from runlog.actions.interpret import Interpreter
from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.core.failures import FailureKind, kind_of_failure
from runlog.core.frame import FrameHeader
from runlog.errors import ExitCode, StoreError
from runlog.ingest.discover import EARLIEST_NS, LATEST_NS, Walk
from runlog.ingest.pool import pool
from runlog.store.frames import Interpreted
from tests.tools import (
    content,
    noise,
    rows,
    runlog,
    runlog_json,
    scan_into,
    write_frame,
    write_run,
)

FRAMES = 20  # more than a batch


def names(entries: Sequence[tuple[bytes, str]]) -> list[str]:
    """Give the file names of failures."""
    return [os.fsdecode(os.path.basename(path)) for path, _ in entries]


# --- times no database holds ------------------------------------------------------------------


@pytest.mark.parametrize("seconds", [1e10, 9.3e9, -1.2e10], ids=["2286", "2264", "1589"])
def test_times_beyond_the_database(tmp_path: Path, seconds: float) -> None:
    """A file changed after April 2262 (64 bits of nanoseconds) is read, and known the next time."""
    folder = tmp_path / "frames"
    write_run(folder, 3)
    write_frame(folder / "odd.fits", noise(50), DATE__OBS="2026-10-10T02:00:00")
    os.utime(folder / "odd.fits", (seconds, seconds))
    assert runlog_json(tmp_path, "scan", folder)["new"] == 4
    body = runlog_json(tmp_path, "scan", folder)
    assert (body["new"], body["unchanged"]) == (0, 4)


def test_times_are_brought_within_64_bits(tmp_path: Path) -> None:
    """What the walk gives fits the column, whatever the disk can hold."""
    (tmp_path / "late.fits").touch()
    os.utime(tmp_path / "late.fits", (1e10, 1e10))
    (found,) = Walk().files([os.fsencode(tmp_path)])
    assert found.mtime_ns == LATEST_NS
    assert EARLIEST_NS == -(2**63)


# --- one file that cannot be stored -----------------------------------------------------------


def refuse_target(database: Path, name: str) -> None:
    """Let the database itself refuse a frame, as a constraint would."""
    with sqlite3.connect(database) as connection:
        connection.execute(
            f"CREATE TRIGGER refuse BEFORE INSERT ON frame WHEN NEW.target = '{name}' "
            "BEGIN SELECT RAISE(ABORT, 'this target is refused'); END"
        )
    connection.close()


def prepared(tmp_path: Path) -> tuple[Path, Path]:
    """Write a run with one frame that will not be stored, into an empty database."""
    folder, database = tmp_path / "frames", tmp_path / "night.sqlite"
    write_run(folder, FRAMES)
    write_frame(
        folder / "light_0007.fits", noise(7), OBJECT="M 101", DATE__OBS="2026-10-09T22:36:24"
    )
    open_store(str(database), Settings()).dispose()
    return folder, database


def test_a_frame_the_database_refuses(tmp_path: Path) -> None:
    """One frame is refused: it alone fails, in words; the others are stored once each."""
    folder, database = prepared(tmp_path)
    refuse_target(database, "M 101")
    done = runlog(tmp_path, "scan", folder, "--workers", "2")
    assert done.returncode == ExitCode.SOME_FAILED
    assert f"{FRAMES - 1} new" in done.stderr
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("  failed:")]
    assert "light_0007.fits: could not be stored: the database refuses a value" in line
    assert "this target is refused" in line
    assert len(rows(database, "content_key")) == FRAMES - 1
    again = runlog_json(tmp_path, "scan", folder, code=1)
    assert (again["new"], again["unchanged"], len(again["failed"])) == (0, FRAMES - 1, 1)


def test_the_refused_frame_gets_in_when_it_can(tmp_path: Path) -> None:
    """What failed to be stored is tried again; then the database is as if nothing had been."""
    folder, database = prepared(tmp_path)
    refuse_target(database, "M 101")
    scan_into(database, folder)
    with sqlite3.connect(database) as connection:
        connection.execute("DROP TRIGGER refuse")
    connection.close()
    assert scan_into(database, folder).new == 1
    scan_into(tmp_path / "other.sqlite", folder)
    assert content(database) == content(tmp_path / "other.sqlite")


@pytest.mark.parametrize("error", [ValueError("odd"), OverflowError("int too large"), KeyError(3)])
def test_an_exception_while_storing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Whatever is raised over one frame's header names that file and stops nothing."""
    folder, database = prepared(tmp_path)
    real = Interpreter.meaning

    def failing(self: Interpreter, written: FrameHeader, *more: Any) -> Interpreted:
        if written.target == "M 101":
            raise error
        return real(self, written, *more)

    monkeypatch.setattr(Interpreter, "meaning", failing)
    result = scan_into(database, folder)
    assert result.new == FRAMES - 1
    assert names(result.failed) == ["light_0007.fits"]
    why = result.failed[0][1]
    assert kind_of_failure(why) is FailureKind.OUR_FAULT
    assert type(error).__name__ not in why
    monkeypatch.setattr(Interpreter, "meaning", real)
    assert scan_into(database, folder).new == 1


# --- trouble of the whole database --------------------------------------------------------------


@pytest.fixture
def full(tmp_path: Path) -> Iterator[tuple[Engine, Path, Path]]:
    """Give a database that cannot grow, its file, and a folder of frames to scan into it."""
    folder, database = prepared(tmp_path)
    engine = open_store(str(database), Settings())
    engine.dispose()

    def stop_growing(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA max_page_count = 1")  # as it is: SQLite lets no less

    event.listen(engine, "connect", stop_growing)
    yield engine, database, folder
    engine.dispose()


def test_a_full_disk_is_not_charged_to_the_files(full: tuple[Engine, Path, Path]) -> None:
    """A database that cannot grow ends the scan with the database's own words."""
    engine, database, folder = full
    with pytest.raises(StoreError, match="full"):
        scan(engine, Settings(), [os.fsencode(folder)], workers=2)
    assert not [row for row in content(database)["file"] if row[1] is not None]


def test_workers_end_before_the_scan_does(
    full: tuple[Engine, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the database ends a scan, its workers are gone by then, not when memory is tidied."""
    engine, _, folder = full
    ended: list[str] = []

    @contextmanager
    def crew(workers: int) -> Iterator[Executor]:
        try:
            with pool(workers) as executor:
                yield executor
        finally:
            ended.append("workers")

    monkeypatch.setattr("runlog.actions.scan.pool", crew)
    with pytest.raises(StoreError, match="full") as caught:
        scan(engine, Settings(), [os.fsencode(folder)], workers=2)
    assert ended == ["workers"], caught  # what was raised still holds all that led to it
