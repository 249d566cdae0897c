"""Paths on disks: which are known, which are gone."""

from collections.abc import Iterable
from dataclasses import dataclass

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
from runlog.store.roots import Roots, elsewhere, lost, with_mount

ZEROS = (Kind.DARK.value, Kind.BIAS.value)


@dataclass(frozen=True, slots=True)
class KnownFile:
    """What the database remembers of a path."""

    id: int
    root_id: int
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


def known_files(connection: Connection, roots: Roots) -> dict[bytes, KnownFile]:
    """Load every known file of the roots that this machine has, by its path here."""
    f = m.file.c
    query = select(f.path, f.id, f.root_id, f.size, f.mtime_ns, f.error, f.missing)
    starts = _starts(roots)
    # Sieved here: by its root a database looks files up one by one.
    return {
        starts[root_id] + path: KnownFile(i, root_id, size, mtime_ns, error, missing)
        for path, i, root_id, size, mtime_ns, error, missing in connection.execute(query)
        if root_id in starts
    }


def _starts(roots: Roots) -> dict[int, bytes]:
    """Give what stands before the paths of each root that this machine has."""
    return {root.id: roots.start(root.id) for root in roots.here}


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
    connection: Connection, roots: Roots, version: int, kinds: Iterable[Kind]
) -> dict[bytes, OldMeasure]:
    """Load the files of this machine that an earlier version measured, if their header speaks.

    A frame counts as measured before only while it is of a kind that is measured at all.
    """
    f = m.frame.c
    query = (
        select(m.file.c.root_id, m.file.c.path, f.content_key, f.header_kind)
        .join(m.header, m.header.c.id == m.file.c.header_id)
        .join(m.frame, f.id == m.header.c.frame_id)
        .where(m.header.c.speaks, *_before(version, kinds))
    )
    starts = _starts(roots)
    return {
        starts[root_id] + bytes(path): OldMeasure(key, Kind(kind))
        for root_id, path, key, kind in connection.execute(query)
        if root_id in starts
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


def set_missing(connection: Connection, file_ids: Iterable[int], missing: bool) -> None:
    """Note which files are gone or back; their frames and totals stay as they are."""
    rows = [{"gone": file_id} for file_id in file_ids]
    if rows:
        connection.execute(
            update(m.file).where(m.file.c.id == bindparam("gone")).values(missing=missing), rows
        )


def files_of_lost_frames(connection: Connection) -> dict[int, int]:
    """Load the files gone from this machine whose frame lies nowhere else, as file -> frame.

    What lies in a root that only other machines have is not looked for, and so not gone.
    """
    beside, beside_header, at = m.file.alias(), m.header.alias(), m.mount.alias()
    still_there = (
        exists()
        .select_from(with_mount(connection, beside, at))
        .where(beside_header.c.frame_id == m.header.c.frame_id)
        .where(beside.c.header_id == beside_header.c.id, ~lost(beside, at))
    )
    query = (
        select(m.file.c.id, m.header.c.frame_id)
        .select_from(with_mount(connection, m.file, m.mount).join(m.header))
        .where(lost(m.file, m.mount), ~still_there)
    )
    return {int(file_id): int(frame_id) for file_id, frame_id in connection.execute(query)}


def count_elsewhere(connection: Connection) -> int:
    """Count the frames of which this machine has no file, while another may."""
    beside, beside_header, at = m.file.alias(), m.header.alias(), m.mount.alias()
    is_here = (
        exists()
        .select_from(with_mount(connection, beside, at))
        .where(beside_header.c.frame_id == m.header.c.frame_id)
        .where(beside.c.header_id == beside_header.c.id, ~lost(beside, at), ~elsewhere(at))
    )
    query = (
        select(func.count(m.header.c.frame_id.distinct()))
        .select_from(with_mount(connection, m.file, m.mount).join(m.header))
        .where(elsewhere(m.mount), ~m.file.c.missing, ~is_here)
    )
    return connection.execute(query).scalar_one()


def failures(connection: Connection) -> list[tuple[bytes, str]]:
    """List the files of this machine that could not be read, with the reason."""
    roots, f = Roots.load(connection), m.file.c
    query = select(f.root_id, f.path, f.error).where(f.error.is_not(None), ~f.missing)
    rows = [(root_id, bytes(path), error) for root_id, path, error in connection.execute(query)]
    here = [row for row in rows if not roots[row[0]].away]
    return sorted((roots.shown(root_id, path), error) for root_id, path, error in here)


def count_files(connection: Connection) -> dict[str, int]:
    """Count files: known, unreadable; and frames that lie nowhere any more, or not here."""
    query = select(func.count(), func.count(m.file.c.error)).select_from(m.file)
    total, unreadable = connection.execute(query).one()
    return {
        "files": total,
        "lost_frames": len(set(files_of_lost_frames(connection).values())),
        "unreadable": unreadable,
        "elsewhere_frames": count_elsewhere(connection),
    }
