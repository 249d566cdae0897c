"""What is kept beside an SQLite database: a copy of it before a change, and what changed."""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from filecmp import cmp
from glob import escape
from pathlib import Path

from sqlalchemy import Engine

from runlog.errors import StoreError
from runlog.store.engine import file_of
from runlog.store.private import SIDES, copy_name, make_private

UNFINISHED = ".unfinished"  # behind the name of a file until all of it is written


@contextmanager
def backed_up(engine: Engine, revision: str) -> Iterator[Path | None]:
    """Copy a database beside itself, see that the copy is whole, and name it.

    To be entered while the caller holds the write lock, so that no row comes between, and left
    when what follows is committed. Should it fail and be taken back, the copy goes too; Ctrl-C
    may strike when all is committed, and then it stays.
    None where there is no file.

    Raises
    ------
    StoreError
        When the copy cannot be made or is not whole; nothing is changed then.
    """
    source = file_of(engine)
    if source is None:
        yield None
        return
    copy, made = _copied_or_same(source, revision)
    try:
        yield copy
    except BaseException:
        if made and _was_taken_back(source, revision):
            _discard(copy)
        raise


def _was_taken_back(source: Path, revision: str) -> bool:
    """Tell whether a database has its old tables; where that cannot be read the copy must stay."""
    query = "SELECT version_num FROM alembic_version"
    try:
        with closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as opened:
            return bool(opened.execute(query).fetchone() == (revision,))
    except (sqlite3.Error, UnicodeDecodeError):
        return False


def _copied_or_same(source: Path, revision: str) -> tuple[Path, bool]:
    """Copy a database, unless there is a copy of all it holds; tells whether one was made."""
    _clear_unfinished(source)
    now = datetime.now(UTC)
    copy = source.with_name(copy_name(source, revision, f"{now:%Y%m%dT%H%M%S%f}"))
    new = copy.with_name(copy.name + UNFINISHED)
    try:
        _copy(source, new)
        if (same := _same_copy(source, revision, new)) is None:
            return new.rename(copy), True
        new.unlink()
        return same, False
    except BaseException:
        _discard(new)
        raise


def _discard(copy: Path) -> None:
    """Take a copy away, with what SQLite laid beside it at work."""
    for end in ("", *SIDES):
        copy.with_name(f"{copy.name}{end}").unlink(missing_ok=True)


def _clear_unfinished(source: Path) -> None:
    """Take away what a command left that was killed while it copied this database."""
    for path in source.parent.glob(f"{escape(source.stem)}.*{UNFINISHED}*"):
        path.unlink(missing_ok=True)


def _same_copy(source: Path, revision: str, new: Path) -> Path | None:
    """Find a copy that holds the same, as a command leaves it that was killed after making it."""
    older = source.parent.glob(f"{escape(source.stem)}.{revision}-*Z{escape(source.suffix)}")
    return next((path for path in sorted(older) if cmp(path, new, shallow=False)), None)


def keep_beside(engine: Engine, name: str, lines: Iterable[str]) -> Path | None:
    """Write lines into a file of their own beside a database; None where there can be none."""
    source = file_of(engine)
    if source is None:
        return None
    path = source.with_name(f"{source.stem}.{name}-{datetime.now(UTC):%Y%m%dT%H%M%S%f}Z.txt")
    new = path.with_name(path.name + UNFINISHED)
    try:
        make_private(new)
        new.write_text("\n".join(lines) + "\n", encoding="utf-8")
        new.rename(path)
    except OSError:  # a full disk, or a folder that may not be written: it is told so
        return None
    return path


def _copy(source: Path, copy: Path) -> None:
    try:
        make_private(copy)
        with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(copy)) as new:
            old.backup(new)
            new.execute("PRAGMA journal_mode = DELETE")  # one file, no other beside it
            wrong = _wrong_with(new, old)
    except (OSError, sqlite3.Error) as error:
        wrong = str(error)
    if wrong is not None:
        raise StoreError(
            f"No copy could be made before the tables are brought up to date ({wrong})",
            str(source),
            "See that its folder may be written and has room for it. Nothing was changed",
        )


def _wrong_with(copy: sqlite3.Connection, source: sqlite3.Connection) -> str | None:
    """Say what is not as it should be in a copy: damage, or rows that are not there."""
    answer = str(copy.execute("PRAGMA integrity_check").fetchone()[0])
    if answer != "ok":
        return answer
    return None if _counts(copy) == _counts(source) else "the copy lacks rows"


def _counts(database: sqlite3.Connection) -> dict[str, int]:
    names = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    return {name: _count(database, name) for (name,) in names}


def _count(database: sqlite3.Connection, table: str) -> int:
    """Count a table's rows; its name cannot be a parameter, and quoted so it ends at its end."""
    quoted = table.replace('"', '""')
    query = f'SELECT count(*) FROM "{quoted}"'  # nosec B608
    return int(database.execute(query).fetchone()[0])
