"""Who may read a database: its owner alone, with its side files and the copies made of it."""

import os
import stat
from contextlib import suppress
from pathlib import Path

PRIVATE = 0o600
OTHERS = stat.S_IRWXG | stat.S_IRWXO
SIDES = ("-wal", "-shm", "-journal")  # SQLite makes them with the rights of the database


def make_private(path: Path) -> None:
    """Make an empty file that only its owner may read, before anything is written into it.

    Raises
    ------
    FileExistsError
        When there is such a file; it is left as it is.
    """
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, PRIVATE))


def files_of(database: Path) -> list[Path]:
    """List a database's file, those beside it, and the copies made of it before a migration."""
    own = [database, *(database.with_name(database.name + side) for side in SIDES)]
    return [path for path in (*own, *copies_of(database)) if path.is_file()]


def copies_of(database: Path) -> list[Path]:
    """List the copies of a database that were made before migrations, by name."""
    return sorted(path for path in _beside(database) if _is_copy(path.name, database))


def _beside(database: Path) -> list[Path]:
    try:
        return list(database.parent.iterdir())
    except OSError:  # a folder that may be passed through but not listed
        return []


def copy_name(database: Path, revision: str, moment: str) -> str:
    """Name the copy of a database."""
    return f"{database.stem}.{revision}-{moment}Z{database.suffix}"


def _is_copy(name: str, database: Path) -> bool:
    start, end = f"{database.stem}.", f"Z{database.suffix}"
    revision, dash, moment = name.removeprefix(start).removesuffix(end).partition("-")
    shaped = dash and revision.isdigit() and moment[:8].isdigit() and moment[8:9] == "T"
    return bool(shaped and name.startswith(start) and name.endswith(end))


def open_to_others(database: Path) -> list[Path]:
    """List the files of a database that others than its owner may read or write."""
    if os.name != "posix":
        return []  # rights are kept otherwise there, in the folder's lists
    return [path for path in files_of(database) if path.stat().st_mode & OTHERS]


def close_to_others(database: Path) -> list[Path]:
    """Take from others what they may do with a database's files; returns those left as they are."""
    for path in open_to_others(database):
        with suppress(OSError):  # another's file: told by what is returned
            path.chmod(stat.S_IMODE(path.stat().st_mode) & ~OTHERS)
    return open_to_others(database)
