"""One database copied into another, whole, and compared row by row."""

from dataclasses import dataclass

from sqlalchemy import Connection, Engine

from runlog.errors import UsageError
from runlog.store.copying import Report, fill
from runlog.store.engine import database_url, open_engine, reading
from runlog.store.totals import totals
from runlog.store.trouble import where


@dataclass(frozen=True, slots=True)
class Copied:
    """What was copied."""

    to: str  # a file, or an address without its password
    rows: int
    lights: int
    seconds: float  # of exposure, as the totals log them


def copy_database(source: Engine, to: str, report: Report) -> Copied:
    """Copy a database, as it is at this moment, into an empty one; go on where that broke off."""
    if database_url(to) == source.url:
        raise UsageError("That is the same database", cure="Name another: a file, or a URL")
    target = open_engine(to)
    try:
        with reading(source) as connection:
            rows = fill(connection, target, report)
        with reading(target) as connection:
            return Copied(where(target), rows, *_logged(connection))
    finally:
        target.dispose()


def _logged(connection: Connection) -> tuple[int, float]:
    found = totals(connection)
    return sum(t.frames for t in found), sum(t.logged_s for t in found)
