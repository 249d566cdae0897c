"""Open the database: SQLite with safe transactions, or any other URL SQLAlchemy knows."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    NoSuchModuleError,
    NotSupportedError,
    ProgrammingError,
)

from runlog.errors import StoreError, ValueRefusedError

BUSY_TIMEOUT_MS = 30_000
READ_ONLY = {"runlog_read": True}
IN_MEMORY = ":memory:"


def database_url(text: str) -> URL:
    """Turn what a person wrote, a URL or a plain path, into a URL."""
    if "://" not in text:
        return URL.create("sqlite", database=str(Path(text).expanduser().absolute()))
    try:
        return make_url(text)
    except ArgumentError as error:
        raise StoreError(
            f"The database address cannot be read ({error})",
            text,
            "Use a file path, or a URL such as sqlite:////home/me/runlog.sqlite",
        ) from error


def require_there(text: str) -> None:
    """Refuse a database file that does not exist: a mistyped path must not become an empty one."""
    url = database_url(text)
    if url.get_backend_name() != "sqlite":
        return
    path = Path(url.database or IN_MEMORY)
    if str(path) == IN_MEMORY or str(path).startswith("file:"):
        return
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError) as error:
        words = "runlog scan FOLDER makes one"
        raise StoreError("There is no database", str(path), words) from error
    except OSError:
        return  # it cannot be looked at: opening it says why, and what to do


def open_engine(text: str) -> Engine:
    """Make an engine for a database; an SQLite file's folder is made when it is missing."""
    url = database_url(text)
    if url.get_backend_name() != "sqlite":
        return _server_engine(url)
    path = Path(url.database or IN_MEMORY)
    _make_folder(path)
    engine = create_engine(
        url, connect_args={"timeout": BUSY_TIMEOUT_MS / 1000}, json_deserializer=_from_json
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _from_json(text: str) -> Any:
    """Read a JSON column; most lists of faults, questions and trails are empty."""
    return [] if text == "[]" else json.loads(text)


def _server_engine(url: URL) -> Engine:
    try:
        return create_engine(url, pool_pre_ping=True)
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise StoreError(
            f"No driver for this database ({error})",
            url.render_as_string(hide_password=True),
            'For PostgreSQL: python -m pip install "runlog[postgres]" and postgresql+psycopg://',
        ) from error


def _make_folder(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"The database folder cannot be made ({error.strerror})",
            str(path.parent),
            "Name another database with --db FILE",
        ) from error


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    # Autocommit in the driver, so that our own BEGIN is the only one (see _begin_sqlite).
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA synchronous = NORMAL")
    # Only a change of mode writes, so a read-only database in WAL mode still opens.
    if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        cursor.execute("PRAGMA journal_mode = WAL")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer takes the lock at once: a transaction that first reads and then writes could
    # otherwise fail half way with "database is locked", whatever the timeout.
    reading = connection.get_execution_options().get("runlog_read", False)
    connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Open a consistent view of the database that takes no write lock."""
    with _words(engine), engine.execution_options(**READ_ONLY).begin() as connection:
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Open one transaction that is committed whole or not at all."""
    with _words(engine), engine.begin() as connection:
        yield connection


@contextmanager
def _words(engine: Engine) -> Iterator[None]:
    """Turn the driver's failures into what happened and what to do."""
    try:
        yield
    except DBAPIError as error:
        raise _explain(error, engine) from error


CURES = {
    "locked": (
        "The database is locked by another program",
        "Wait until the other scan or copy has ended, then try again; nothing was lost",
    ),
    "readonly": (
        "The database is read-only",
        "Give yourself write permission, or name another database with --db FILE",
    ),
    "full": (
        "The disk that holds the database is full",
        "Free some space and run the command again; everything stored so far is safe",
    ),
    "unable to open": (
        "The database cannot be opened",
        "Check that the path exists and may be written, or name another with --db FILE",
    ),
    "malformed": (
        "The database file is damaged",
        "Restore it from a copy; runlog check tells more",
    ),
    "no such column": (
        "The tables of the database are not those of this runlog",
        "Another runlog changed them: close this one, bring it up to date and start it again",
    ),
    "no such table": (
        "The database has lost its tables",
        "Restore it from a copy, or name another with --db FILE",
    ),
    "not a database": (
        "This file is not a database",
        "Name another file with --db FILE",
    ),
    "disk i/o": (
        "The disk that holds the database failed to read or write",
        "Check the disk; nothing half-written is kept",
    ),
}


# What a driver raises for a value it cannot take; of these, SQLite calls some a wrong program.
ONE_VALUE = (DataError, IntegrityError, NotSupportedError)
ONE_VALUE_SQLITE = (*ONE_VALUE, InterfaceError, ProgrammingError)


def _explain(error: DBAPIError, engine: Engine) -> StoreError:
    text = str(error.orig).lower()
    for sign, (what, cure) in CURES.items():
        if sign in text:
            return StoreError(what, where(engine), cure)
    of_one = ONE_VALUE_SQLITE if engine.dialect.name == "sqlite" else ONE_VALUE
    if isinstance(error, of_one) and not error.connection_invalidated:
        return ValueRefusedError(f"The database refuses a value ({error.orig})", where(engine))
    return StoreError(f"The database failed ({error.orig})", where(engine))


def where(engine: Engine) -> str:
    """Name a database for a message: its file, or its address without the password."""
    url = engine.url
    shown = url.database if url.get_backend_name() == "sqlite" else None
    return shown or url.render_as_string(hide_password=True)
