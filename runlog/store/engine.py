"""Open the database, SQLite or PostgreSQL: many read, one at a time writes."""

import json
import logging
import os
import re
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, ExceptionContext, Table, create_engine, event
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from runlog import stopping
from runlog.errors import (
    ConflictError,
    DamagedError,
    ReadOnlyError,
    RightsError,
    StoreError,
)
from runlog.machine import this_machine
from runlog.store.machine import MACHINE
from runlog.store.private import SIDES, make_private
from runlog.store.sound import refuse_unsound
from runlog.store.trouble import DAMAGED, MAY_ONLY_READ, NO_DATABASE, SERVER_FORM, explain, where
from runlog.store.trouble import READ_ONLY as READ_ONLY_WORDS

BUSY_TIMEOUT_MS = 120_000  # how long a writer waits for another
SILENT_S = 2.0  # how long it does so without a word
WAITING = "runlog_waiting"  # execution option: whom to tell that it waits
WRITER_LOCK = int.from_bytes(b"runlog")  # an advisory lock, and so one of each database
READING = "runlog_read"
READ_ONLY: dict[str, dict[str, Any]] = {
    "sqlite": {READING: True},
    "postgresql": {
        READING: True,
        "isolation_level": "REPEATABLE READ",
        "postgresql_readonly": True,
    },
}
WAL_RETRY_S = 0.02
RETRY_AFTER_S = (0.05, 0.2, 1.0)
IN_MEMORY = ":memory:"
LEAST_BYTES = 512  # SQLite's smallest page

T = TypeVar("T")


def database_url(text: str) -> URL:
    """Turn what a person wrote, a URL or a plain path, into a URL."""
    if "://" not in text:
        return URL.create("sqlite", database=str(Path(text).expanduser().absolute()))
    try:
        return make_url(text)
    except (ArgumentError, ValueError) as error:  # the second of a port that is no number
        raise StoreError(
            "The database address cannot be read",
            re.sub(r"(://[^:/]*):.*@", r"\1:***@", text),
            f"Use a file path, or a URL such as {SERVER_FORM}",
        ) from error


def require_there(text: str) -> None:
    """Refuse a database file that does not exist: a mistyped path must not become an empty one."""
    path = _file_at(database_url(text))
    if path is None:
        return
    try:
        size = path.stat().st_size
    except (FileNotFoundError, NotADirectoryError) as error:
        words = "runlog scan FOLDER makes one"
        raise StoreError("There is no database", str(path), words) from error
    except OSError:
        return  # it cannot be looked at: opening it says why, and what to do
    if size == 0:
        raise StoreError(
            "The database is empty",
            str(path),
            "If it held your nights, put a copy in its place; runlog scan FOLDER begins a new one",
        )


def file_of(engine: Engine) -> Path | None:
    """Give the file that holds a database; None where it is on a server or in memory."""
    return _file_at(engine.url)


def _file_at(url: URL) -> Path | None:
    name = url.database or IN_MEMORY
    if url.get_backend_name() != "sqlite" or name == IN_MEMORY or name.startswith("file:"):
        return None
    return Path(name)


def open_engine(text: str) -> Engine:
    """Make an engine for a database; an SQLite file's folder is made when it is missing."""
    url = database_url(text)
    if url.get_backend_name() != "sqlite":
        return _server_engine(url)
    path = Path(url.database or IN_MEMORY)
    _make_folder(path)
    _refuse_scrap(path)
    engine = create_engine(
        url,
        connect_args={"timeout": BUSY_TIMEOUT_MS / 1000},
        json_deserializer=_from_json,
        execution_options={MACHINE: this_machine()},
    )
    event.listen(engine, "do_connect", _connect_sqlite)
    event.listen(engine, "connect", lambda opened, _: _prepare_sqlite(opened, engine))
    event.listen(engine, "begin", _begin_sqlite)
    event.listen(engine, "handle_error", _unreadable_words)
    return engine


def _from_json(text: str) -> Any:
    """Read a JSON column; most lists of faults, questions and trails are empty."""
    return [] if text == "[]" else json.loads(text)


def _server_engine(url: URL) -> Engine:
    shown = url.render_as_string(hide_password=True)
    if url.get_backend_name() != "postgresql":
        raise StoreError("Only SQLite and PostgreSQL are spoken", shown, f"As in {SERVER_FORM}")
    try:
        # Each statement sees what was written before it: the lock of the one writer does the rest.
        engine = create_engine(
            url,
            pool_pre_ping=True,
            isolation_level="READ COMMITTED",
            execution_options={MACHINE: this_machine()},
        )
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise StoreError(
            f"No driver for this database ({error})",
            shown,
            f'For PostgreSQL: python -m pip install "runlog[postgres]" and {SERVER_FORM}',
        ) from error
    event.listen(engine, "connect", _prepare_server)
    event.listen(engine, "begin", _begin_server)
    return engine


def _prepare_server(connection: Any, _record: Any) -> None:
    """Have no statement compiled: that takes longer than running what we ask.

    The server guesses the cost of a large archive so high that it would.
    """
    with connection.cursor() as cursor:
        cursor.execute("SET jit = off")
    connection.commit()


def _is_no_interrupt(record: logging.LogRecord) -> bool:
    return not (record.exc_info and isinstance(record.exc_info[1], KeyboardInterrupt))


# Ctrl-C while a connection is given back or closed goes on to end the command, in its last words.
logging.getLogger("sqlalchemy.pool.impl.QueuePool").addFilter(_is_no_interrupt)
# That a server went away is told in our own words; the driver would add that it cannot say goodbye.
logging.getLogger("psycopg").setLevel(logging.ERROR)


def _begin_server(connection: Connection) -> None:
    # Held until the transaction ends, however it ends. Without it two writers would each choose
    # among the frames that they see, and not see the other's.
    if not _only_reads(connection):
        with _told_if_slow(connection):
            only_reads, may_write, *_ = connection.exec_driver_sql(
                "SELECT current_setting('default_transaction_read_only'), "
                "has_table_privilege(to_regclass('run'), 'INSERT'), "
                f"set_config('lock_timeout', '{BUSY_TIMEOUT_MS}', true), "
                f"pg_advisory_xact_lock({WRITER_LOCK})"
            ).one()
        # Whoever made reading the rule there did not mean us to write; the driver would.
        if only_reads == "on":
            raise ReadOnlyError(READ_ONLY_WORDS[0], where(connection.engine), READ_ONLY_WORDS[1])
        if may_write is False:  # before half of what was asked is done; null: no tables yet
            raise RightsError(MAY_ONLY_READ[0], where(connection.engine), MAY_ONLY_READ[1])


def _refuse_scrap(path: Path) -> None:
    """Refuse a file too short to be a database: SQLite takes it for empty and writes over it."""
    with suppress(OSError):
        if path.is_file() and 0 < path.stat().st_size < LEAST_BYTES:
            raise StoreError(NO_DATABASE[0], str(path), NO_DATABASE[1])


def _make_folder(path: Path) -> None:
    try:
        path.parent.mkdir(0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"The database folder cannot be made ({error.strerror})",
            str(path.parent),
            "Name another database with --db FILE",
        ) from error


def _connect_sqlite(_dialect: Any, _record: Any, arguments: Any, options: Any) -> Any:
    """Make a new database's file ourselves: SQLite would let everybody read it.

    A file of which nothing may be written, nor beside it, is read as one that does not change;
    without that SQLite asks for a file beside it even to read.
    """
    if arguments[0] == IN_MEMORY or arguments[0].startswith("file:"):
        return None
    path = Path(arguments[0])
    with suppress(OSError):  # it is there, or cannot be made: then connecting says why
        make_private(path)
    if stands_still(path):
        return sqlite3.connect(f"{path.absolute().as_uri()}?immutable=1", uri=True, **options)
    return None


def stands_still(path: Path) -> bool:
    """Tell whether a database can only be read as it lies: nobody has it open, none may write."""
    beside = [path.with_name(path.name + end) for end in SIDES]
    return (
        os.path.isfile(path)
        and not any(os.path.lexists(other) for other in beside)
        and not os.access(path, os.W_OK)
        and not os.access(path.parent, os.W_OK)
    )


def _prepare_sqlite(connection: Any, engine: Engine) -> None:
    try:
        _prepared(connection, engine)
    except UnicodeDecodeError as error:
        raise _damaged(engine) from error


def _unreadable_words(context: ExceptionContext) -> None:
    """Take SQLite's words on damage that hold bytes of the damage: Python cannot read them."""
    if isinstance(context.original_exception, UnicodeDecodeError) and context.engine is not None:
        raise _damaged(context.engine) from context.original_exception


def _damaged(engine: Engine) -> DamagedError:
    return DamagedError(DAMAGED[0], where(engine), DAMAGED[1])


def _prepared(connection: Any, engine: Engine) -> None:
    # Autocommit in the driver, so that our own BEGIN is the only one (see _begin_sqlite).
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA synchronous = NORMAL")
    # Only a change of mode writes, so a read-only database in WAL mode still opens.
    with _told_if_slow(engine):
        if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            _change_to_wal(cursor)
    cursor.close()


def _change_to_wal(cursor: sqlite3.Cursor) -> None:
    """Change the mode; SQLite waits for nobody here, so those that start at once take turns."""
    until = time.monotonic() + BUSY_TIMEOUT_MS / 1000
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
                return  # it can be read as it is
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(WAL_RETRY_S)


def _begin_sqlite(connection: Connection) -> None:
    # A writer takes the lock at once: a transaction that first reads and then writes could
    # otherwise fail half way with "database is locked", whatever the timeout.
    if _only_reads(connection):
        connection.exec_driver_sql("BEGIN")  # takes no lock yet, so it waits for nobody
        return
    refuse_unsound(connection)
    with _told_if_slow(connection):
        connection.exec_driver_sql("BEGIN IMMEDIATE")


@contextmanager
def _told_if_slow(asker: Engine | Connection) -> Iterator[None]:
    """Say, where somebody hears it, that another program is waited for."""
    tell = asker.get_execution_options().get(WAITING)
    if tell is None:
        yield
        return
    words = f"Waiting for another program that holds the database, {BUSY_TIMEOUT_MS // 60_000} "
    timer = threading.Timer(SILENT_S, tell, [f"{words}minutes at most; Ctrl-C stops"])
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _only_reads(connection: Connection) -> bool:
    return bool(connection.get_execution_options().get(READING, False))


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Open a consistent view of the database that takes no write lock."""
    options = READ_ONLY[engine.dialect.name]
    path = file_of(engine)
    before = _left_as_it_is(path) if path is not None else None
    with _words(engine), engine.execution_options(**options).begin() as connection:
        yield connection
    if path is not None and before is not None and _left_as_it_is(path) != before:
        raise StoreError(
            "The database was changed while it was read", str(path), "Run the command again"
        )


def _left_as_it_is(path: Path) -> tuple[int, int] | None:
    """Give size and time of a file that SQLite is told does not change; None for any other."""
    try:
        status = path.stat()
    except OSError:
        return None
    return (status.st_size, status.st_mtime_ns) if stands_still(path) else None


@contextmanager
def writing(engine: Engine, stores: str = "") -> Iterator[Connection]:
    """Open one transaction that is committed whole or not at all; no other writes meanwhile.

    `stores` names what a person asked for, should the command be stopped after that.
    """
    with _words(engine), engine.connect() as connection, connection.begin() as transaction:
        yield connection
        with stopping.undisturbed():
            transaction.commit()
            stopping.stored(stores)


def write(engine: Engine, work: Callable[[Connection], T], stores: str = "") -> T:
    """Do some work in one transaction, and again if the server ends it for another's sake."""
    for wait_s in RETRY_AFTER_S:
        try:
            with writing(engine, stores) as connection:
                return work(connection)
        except ConflictError:
            time.sleep(wait_s)
    with writing(engine, stores) as connection:
        return work(connection)


@contextmanager
def _words(engine: Engine) -> Iterator[None]:
    """Turn the driver's failures into what happened and what to do."""
    try:
        yield
    except DBAPIError as error:
        raise explain(error, engine) from error


def insert_into(dialect: str, table: Table) -> "postgresql.Insert | sqlite.Insert":
    """Begin an insert that can say what to do where there is such a row: ON CONFLICT."""
    if dialect == "sqlite":
        return sqlite.insert(table)
    return postgresql.insert(table)


def upsert(
    connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]], by: Sequence[str]
) -> None:
    """Insert rows, or where there is one of the same key, put the values in its place."""
    statement = _upsert(connection.dialect.name, table, tuple(rows[0]), tuple(by))
    connection.execute(statement, [dict(values) for values in rows])


@cache
def _upsert(
    dialect: str, table: Table, names: tuple[str, ...], by: tuple[str, ...]
) -> "postgresql.Insert | sqlite.Insert":
    """Put an upsert together, once: each file that is stored asks for five of them."""
    row = insert_into(dialect, table)
    changed = {name: row.excluded[name] for name in names if name not in by}
    return row.on_conflict_do_update(index_elements=list(by), set_=changed)


def id_of(
    connection: Connection, table: Table, values: Mapping[str, Any], by: Sequence[str]
) -> int:
    """Give the number of the row of a key, which is made where there is none."""
    row = insert_into(connection.dialect.name, table).values(dict(values))
    same = {name: row.excluded[name] for name in by}  # without a change no number comes back
    made = row.on_conflict_do_update(index_elements=list(by), set_=same)
    return int(connection.execute(made.returning(table.c.id)).scalar_one())
