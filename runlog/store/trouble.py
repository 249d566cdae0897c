"""What a database's failures mean, and what to do about each."""

import re
import shutil
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import (
    DataError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    NotSupportedError,
    ProgrammingError,
)

from runlog.errors import (
    ConflictError,
    DamagedError,
    NotYoursError,
    ReadOnlyError,
    RightsError,
    StoreError,
    ValueRefusedError,
)

Words = tuple[str, str]  # what happened, what to do

LOCKED = (
    "The database is locked by another program",
    "Wait until the other scan or copy has ended, then try again; nothing was lost",
)
READ_ONLY = (
    "The database is read-only",
    "Give yourself write permission, or name another database with --db FILE",
)
DAMAGED = (
    "The database file is damaged",
    "Your frames are untouched. What is wrong, and which copies there are: runlog check",
)
DISK_FAILED = (
    "The disk that holds the database failed to read or write",
    "Check the disk; nothing half-written is kept",
)
LEAST_ROOM = 65_536  # bytes; SQLite needs half of it to open a database at all
FULL = (
    "The disk that holds the database is full",
    "Free some space and run the command again; everything stored so far is safe",
)
SHUT_BY_DISK = (
    "The disk that holds the database is full, or fails: its server lets nobody in",
    "Free some space there, or have the disk seen to; everything stored so far is safe",
)
OTHER_TABLES = (
    "The tables of the database are not those of this runlog",
    "Another runlog changed them: close this one, bring it up to date and start it again",
)
NO_TABLES = (
    "The database has lost its tables",
    "Restore it from a copy, or name another with --db FILE",
)
CROWDED = (
    "The database server has no connection left",
    "Try again when others have ended, or raise its max_connections",
)
NO_DATABASE = (
    "This file is not a database",
    "Name another file with --db FILE",
)
NOT_THERE = (
    "The database server does not answer",
    "See that it runs and that --db names its host and port; everything stored so far is safe",
)

# By what SQLite says.
OF_SQLITE: Mapping[str, Words] = {
    "locked": LOCKED,
    "readonly": READ_ONLY,
    "full": FULL,
    "unable to open": (
        "The database cannot be opened",
        "Check that the path exists and may be written, or name another with --db FILE",
    ),
    "malformed": DAMAGED,
    "no such column": OTHER_TABLES,
    "no such table": NO_TABLES,
    "not a database": NO_DATABASE,
    "disk i/o": DISK_FAILED,
}

# By the codes of the SQL standard and PostgreSQL (its manual, appendix A) ...
OF_CODE: Mapping[str, Words] = {
    "25006": READ_ONLY,
    "42703": OTHER_TABLES,
    "42P01": NO_TABLES,
    "53100": FULL,
    "53300": CROWDED,
    "55P03": LOCKED,
    "57P01": NOT_THERE,
    "57P02": NOT_THERE,
    "57P03": NOT_THERE,
}
# What a login may not do, by the words that come with the code of that.
NO_RIGHT = "42501"
NOT_YOURS = (
    "This belongs to a rig that others keep, or is signed by another",
    "Who keeps which rig: runlog club. The keeper can change that: "
    "runlog club add LOGIN --role observer --rig NAME",
)
MAY_ONLY_READ = (
    "This login may look at everything here and not change this; nothing was changed",
    "The keeper can let you write: runlog club add LOGIN --role observer, and --rig NAME for "
    "frames of a rig that is there already",
)
NO_MEMBER = (
    "This login is no member of this database",
    "Ask its keeper to let you in: runlog club add LOGIN --role reader",
)
NO_TABLES_MADE = (
    "This login may not make tables in this database",
    "Of a shared one the keeper does, whose database it is: runlog check, once. To have one of "
    "your own: createdb --owner LOGIN NAME",
)
OF_RIGHTS: Mapping[str, Words] = {
    "row-level security": NOT_YOURS,
    "for schema": NO_TABLES_MADE,
    "for database": NO_MEMBER,
    "must be owner": MAY_ONLY_READ,
}

# ... and by its words where a connection could not be made, which has no code.
NO_TLS = (
    "The database server does not speak TLS, which the address asks for",
    "Whoever runs it turns it on (ssl = on); do not ask for less across a network",
)
NOT_ITSELF = (
    "The server's certificate could not be verified, so nothing was sent to it",
    "sslmode=verify-full wants the name the certificate is made out to, and the file of its "
    "authority: ~/.postgresql/root.crt, or sslrootcert=FILE in the address",
)
NOT_LET_IN = (
    "The database server lets nobody in this way",
    "It has no line in its pg_hba.conf for this login, database and network, or only one with "
    "TLS: sslmode=verify-full in the address",
)
OF_SERVER: Mapping[str, Words] = {
    "does not support ssl": NO_TLS,
    "root certificate file": NOT_ITSELF,
    "certificate verify failed": NOT_ITSELF,
    "server certificate for": NOT_ITSELF,
    "pg_hba.conf": NOT_LET_IN,
    "no password supplied": (
        "The database server wants a password",
        "Put it into ~/.pgpass, a line HOST:5432:NAME:USER:PASSWORD that only you may read",
    ),
    "permission denied for database": NO_MEMBER,
    "not permitted to log in": NO_MEMBER,
    "authentication failed": (
        "The database server does not know this user and password",
        "See to the line of ~/.pgpass, HOST:5432:NAME:USER:PASSWORD, that only you may read",
    ),
    "does not exist": (
        "The server has no such database or user",
        "Make it there first: createdb NAME",
    ),
    "too many clients": CROWDED,
    "connection slots": CROWDED,
    "too many connections": CROWDED,
    "no space left on device": FULL,
    "could not write init file": SHUT_BY_DISK,  # all PostgreSQL says where it has no room for it
    "connection": NOT_THERE,
    "timeout": NOT_THERE,
}
# What is wrong with the address itself is said in the words of the driver.
SERVER_FORM = "postgresql+psycopg://USER@HOST/NAME"
NO_SUCH_HOST = (
    "The name of the database server cannot be found",
    "See that the host in --db is spelt right and that this machine's network knows it; everything "
    "stored so far is safe",
)
BAD_ADDRESS = (
    "The address of the database cannot be followed",
    f"Put that right in --db or RUNLOG_DB, as in {SERVER_FORM}?sslmode=verify-full",
)
OF_ADDRESS: Mapping[str, Words] = {
    r"resolve host|translate host name": NO_SUCH_HOST,
    r"invalid \S+ value: |invalid port number|invalid connection option|bad value for |"
    r"could not match \d+ |could not parse network address": BAD_ADDRESS,
}
KINDS: Mapping[Words, type[StoreError]] = {
    DAMAGED: DamagedError,
    READ_ONLY: ReadOnlyError,
    NOT_YOURS: NotYoursError,
    MAY_ONLY_READ: RightsError,
    NO_MEMBER: RightsError,
    NO_TABLES_MADE: RightsError,
}
ANOTHERS_SAKE = frozenset({"40001", "40P01"})  # serialization failure, deadlock

# What a driver raises for a value it cannot take; of these, SQLite calls some a wrong program.
ONE_VALUE = (DataError, IntegrityError, NotSupportedError)
ONE_VALUE_SQLITE = (*ONE_VALUE, InterfaceError, ProgrammingError)


def explain(error: DBAPIError, engine: Engine) -> StoreError:
    """Turn a driver's failure into what happened and what to do."""
    code = getattr(error.orig, "sqlstate", None)
    if code in ANOTHERS_SAKE:
        cure = "Run the command again; nothing half-written is kept"
        return ConflictError("Another writer came first", where(engine), cure)
    if wrong := _wrong_address(error, code, engine):
        return wrong
    if words := _words(error, code, engine):
        return KINDS.get(words, StoreError)(words[0], where(engine), words[1])
    of_one = ONE_VALUE_SQLITE if engine.dialect.name == "sqlite" else ONE_VALUE
    if isinstance(error, of_one) and not error.connection_invalidated:
        return ValueRefusedError(f"The database refuses a value ({error.orig})", where(engine))
    return StoreError(f"The database failed ({error.orig})", where(engine))


def _wrong_address(error: DBAPIError, code: str | None, engine: Engine) -> StoreError | None:
    """Say what the driver says of an address that it cannot follow."""
    if code is not None or engine.dialect.name == "sqlite":
        return None
    said = str(error.orig).strip().split("\n")[0].removeprefix("connection is bad: ")
    for signs, (what, cure) in OF_ADDRESS.items():
        if re.search(signs, said):
            return StoreError(f"{what} ({said})", where(engine), cure)
    return None


def _words(error: DBAPIError, code: str | None, engine: Engine) -> Words | None:
    text = str(error.orig).lower()
    if code == NO_RIGHT:
        only_reads = (error.statement or "").lstrip().upper().startswith("SELECT")
        found = next((words for sign, words in OF_RIGHTS.items() if sign in text), None)
        return found or (NO_MEMBER if only_reads else MAY_ONLY_READ)
    if code is not None:
        return OF_CODE.get(code)
    known = OF_SQLITE if engine.dialect.name == "sqlite" else OF_SERVER
    found = next((words for sign, words in known.items() if sign in text), None)
    return FULL if found is DISK_FAILED and _is_full(engine) else found


def _is_full(engine: Engine) -> bool:
    """Tell whether the disk has no room for what SQLite lays beside a database."""
    with suppress(OSError):
        return shutil.disk_usage(Path(engine.url.database or "").parent).free < LEAST_ROOM
    return False


def where(engine: Engine) -> str:
    """Name a database for a message: its file, or its address without the password."""
    url = engine.url
    shown = url.database if url.get_backend_name() == "sqlite" else None
    return shown or url.render_as_string(hide_password=True)
