"""What is wrong with a damaged SQLite file, what can still be read of it, and its copies."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, text

from runlog.errors import DamagedError
from runlog.store import models as m
from runlog.store.engine import file_of, reading
from runlog.store.private import copies_of
from runlog.store.trouble import DAMAGED, where

MOST_LINES = 5  # of what SQLite finds wrong
# Words of SQLite may hold bytes of the damage, which Python cannot read.
UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
BOOKS = (m.frame, m.mark, m.correction, m.goal, m.rig_note)  # what a person would miss


@dataclass(frozen=True, slots=True)
class Damage:
    """What was found in a file that is damaged."""

    lines: tuple[str, ...]  # as SQLite says it; empty where the file cannot be opened at all
    rows: Mapping[str, int | None]  # of each table that matters; None where it cannot be read
    copies: Mapping[Path, int | None]  # made before migrations, with the frames in each


def look_at_damage(database: Path) -> Damage:
    """Look at a damaged file, which is only read."""
    with closing(_opened(database)) as connection:
        rows = {table.name: _count(connection, table.name) for table in BOOKS}
        return Damage(_wrong(connection), rows, copies_beside(database))


def copies_beside(database: Path) -> dict[Path, int | None]:
    """List the copies made of a database, with the frames in each; None where they are not read."""
    return {copy: _frames_in(copy) for copy in copies_of(database)}


def _frames_in(database: Path) -> int | None:
    """Count the frames of a file; None where they cannot be read."""
    with closing(_opened(database)) as connection:
        return _count(connection, m.frame.name)


def refuse_damaged(engine: Engine) -> None:
    """Raise DamagedError where SQLite finds its file damaged."""
    if file_of(engine) is None:
        return
    with reading(engine) as connection:
        answer = connection.execute(text("PRAGMA quick_check(1)")).scalar()
    if answer != "ok":
        raise DamagedError(DAMAGED[0], where(engine), DAMAGED[1])


def _opened(database: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)


def _wrong(connection: sqlite3.Connection) -> tuple[str, ...]:
    try:
        rows = connection.execute(f"PRAGMA integrity_check({MOST_LINES})").fetchall()
    except UNREADABLE as error:
        return (str(error),)
    lines = [line for (row,) in rows for line in str(row).splitlines() if line != "ok"]
    return tuple(lines[:MOST_LINES])


def _count(connection: sqlite3.Connection, table: str) -> int | None:
    try:
        # By what stands in the rows, not by an index: those may be whole where rows are not.
        query = f"SELECT count(*) FROM {table} NOT INDEXED WHERE coalesce(id, 0) >= 0"  # nosec B608
        return int(connection.execute(query).fetchone()[0])
    except UNREADABLE:
        return None
