"""Paths on disks: which are known, which are gone."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, func, insert, select, update

from runlog.store import models as m


@dataclass(frozen=True, slots=True)
class KnownFile:
    """What the database remembers of a path."""

    size: int
    mtime_ns: int
    error: str | None
    missing: bool


@dataclass(frozen=True, slots=True)
class KnownPixels:
    """A stored frame that a new path may turn out to hold."""

    content_key: str
    measured: bool


def known_files(connection: Connection) -> dict[bytes, KnownFile]:
    """Load every known path."""
    f = m.file.c
    query = select(f.path, f.size, f.mtime_ns, f.error, f.missing)
    return {bytes(row[0]): KnownFile(*row[1:]) for row in connection.execute(query)}


def known_pixels(connection: Connection) -> dict[tuple[int, int], list[KnownPixels]]:
    """Index stored frames by their files' size and time of change, which copies share."""
    query = (
        select(m.file.c.size, m.file.c.mtime_ns, m.frame.c.content_key)
        .add_columns((m.frame.c.measured_with.is_not(None)) | (m.frame.c.level.is_not(None)))
        .select_from(m.file)
        .join(m.header)
        .join(m.frame)
    )
    index: dict[tuple[int, int], list[KnownPixels]] = {}
    for size, mtime_ns, key, measured in connection.execute(query):
        index.setdefault((size, mtime_ns), []).append(KnownPixels(key, bool(measured)))
    return index


def set_missing(connection: Connection, paths: Iterable[bytes], missing: bool) -> None:
    """Note which files are gone or back; their frames and totals stay as they are."""
    rows = [{"gone": path} for path in paths]
    if rows:
        connection.execute(
            update(m.file).where(m.file.c.path == bindparam("gone")).values(missing=missing), rows
        )


def failures(connection: Connection) -> list[tuple[bytes, str]]:
    """List the files that could not be read, with the reason."""
    query = (
        select(m.file.c.path, m.file.c.error)
        .where(m.file.c.error.is_not(None), ~m.file.c.missing)
        .order_by(m.file.c.path)
    )
    return [(bytes(path), error) for path, error in connection.execute(query)]


def count_files(connection: Connection) -> dict[str, int]:
    """Count paths: known, missing, unreadable."""
    f = m.file.c
    query = select(func.count(), func.count().filter(f.missing), func.count(f.error)).select_from(
        m.file
    )
    total, missing, unreadable = connection.execute(query).one()
    return {"files": total, "missing": missing, "unreadable": unreadable}


def remember_roots(connection: Connection, paths: Iterable[bytes], now: datetime) -> None:
    """Remember which folders were scanned, for a later scan that names none."""
    for path in paths:
        changed = connection.execute(
            update(m.root).where(m.root.c.path == path).values(scanned_at_utc=now)
        )
        if changed.rowcount == 0:
            connection.execute(insert(m.root).values(path=path, scanned_at_utc=now))


def roots(connection: Connection) -> list[bytes]:
    """List the folders that were scanned before."""
    query = select(m.root.c.path).order_by(m.root.c.path)
    return [bytes(path) for path in connection.execute(query).scalars()]
