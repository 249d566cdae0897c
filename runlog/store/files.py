"""Paths on disks: which are known, which are gone."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    bindparam,
    exists,
    func,
    or_,
    select,
    update,
)

from runlog.core.frame import Kind
from runlog.store import models as m
from runlog.store.engine import upsert

ZEROS = (Kind.DARK.value, Kind.BIAS.value)


@dataclass(frozen=True, slots=True)
class KnownFile:
    """What the database remembers of a path."""

    size: int
    mtime_ns: int
    error: str | None
    missing: bool


@dataclass(frozen=True, slots=True)
class OldMeasure:
    """A file whose frame was measured by an earlier version, and what the frame was taken for."""

    content_key: str
    kind: Kind


# (size, time of change) -> [(content key, measured, levelled)]
PixelIndex = dict[tuple[int, int], list[tuple[str, bool, bool]]]


def known_files(connection: Connection) -> dict[bytes, KnownFile]:
    """Load every known path."""
    f = m.file.c
    query = select(f.path, f.size, f.mtime_ns, f.error, f.missing)
    return {bytes(row[0]): KnownFile(*row[1:]) for row in connection.execute(query)}


def known_pixels(connection: Connection) -> PixelIndex:
    """Index stored frames by their files' size and time of change, which copies share."""
    f = m.frame.c
    query = (
        select(m.file.c.size, m.file.c.mtime_ns, f.content_key)
        .add_columns(f.measured_with.is_not(None), f.level.is_not(None))
        .select_from(m.file)
        .join(m.header)
        .join(m.frame)
    )
    index: PixelIndex = {}
    for size, mtime_ns, key, measured, levelled in connection.execute(query):
        index.setdefault((size, mtime_ns), []).append((key, bool(measured), bool(levelled)))
    return index


def measured_before(
    connection: Connection, version: int, kinds: Iterable[Kind]
) -> dict[bytes, OldMeasure]:
    """Load the files of frames that an earlier version measured, those of the speaking header.

    A frame counts as measured before only while it is of a kind that is measured at all.
    """
    f = m.frame.c
    query = (
        select(m.file.c.path, f.content_key, f.header_kind)
        .join(m.header, m.header.c.id == m.file.c.header_id)
        .join(m.frame, f.id == m.header.c.frame_id)
        .where(m.header.c.speaks, *_before(version, kinds))
    )
    return {
        bytes(path): OldMeasure(key, Kind(kind)) for path, key, kind in connection.execute(query)
    }


def count_measured_before(connection: Connection, version: int, kinds: Iterable[Kind]) -> int:
    """Count the frames that an earlier version measured, whether their files are there or not."""
    query = select(func.count()).select_from(m.frame).where(*_before(version, kinds))
    return connection.execute(query).scalar_one()


def _before(version: int, kinds: Iterable[Kind]) -> tuple[ColumnElement[bool], ...]:
    f = m.frame.c
    measured = and_(f.measured_with < version, f.header_kind.in_([kind.value for kind in kinds]))
    # Darks and bias have no version; what earlier ones did not look at are their rows.
    unlooked = and_(f.level.is_not(None), f.signs.is_(None), f.header_kind.in_(ZEROS))
    return (or_(measured, unlooked),)


def set_missing(connection: Connection, paths: Iterable[bytes], missing: bool) -> None:
    """Note which files are gone or back; their frames and totals stay as they are."""
    rows = [{"gone": path} for path in paths]
    if rows:
        connection.execute(
            update(m.file).where(m.file.c.path == bindparam("gone")).values(missing=missing), rows
        )


def files_of_lost_frames(connection: Connection) -> dict[bytes, int]:
    """Load the missing files whose frame lies nowhere else, as path -> frame."""
    beside, beside_header = m.file.alias(), m.header.alias()
    still_there = (
        exists()
        .where(beside_header.c.frame_id == m.header.c.frame_id)
        .where(beside.c.header_id == beside_header.c.id, ~beside.c.missing)
    )
    query = select(m.file.c.path, m.header.c.frame_id).join(m.header)
    query = query.where(m.file.c.missing, ~still_there)
    return {bytes(path): frame_id for path, frame_id in connection.execute(query)}


def failures(connection: Connection) -> list[tuple[bytes, str]]:
    """List the files that could not be read, with the reason."""
    query = (
        select(m.file.c.path, m.file.c.error)
        .where(m.file.c.error.is_not(None), ~m.file.c.missing)
        .order_by(m.file.c.path)
    )
    return [(bytes(path), error) for path, error in connection.execute(query)]


def count_files(connection: Connection) -> dict[str, int]:
    """Count paths: known, unreadable; and frames that lie nowhere any more."""
    query = select(func.count(), func.count(m.file.c.error)).select_from(m.file)
    total, unreadable = connection.execute(query).one()
    lost = len(set(files_of_lost_frames(connection).values()))
    return {"files": total, "lost_frames": lost, "unreadable": unreadable}


def remember_roots(connection: Connection, paths: Iterable[bytes], now: datetime) -> None:
    """Remember which folders were scanned, for a later scan that names none."""
    rows = [{"path": path, "scanned_at_utc": now} for path in paths]
    if rows:
        upsert(connection, m.root, rows, by=("path",))


def roots(connection: Connection) -> list[bytes]:
    """List the folders that were scanned before."""
    query = select(m.root.c.path).order_by(m.root.c.path)
    return [bytes(path) for path in connection.execute(query).scalars()]
