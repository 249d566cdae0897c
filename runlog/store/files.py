"""Paths on disks: which are known, which are gone."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    bindparam,
    exists,
    false,
    func,
    or_,
    select,
    update,
)

from runlog.core.frame import Kind
from runlog.store import models as m
from runlog.store.parts import in_parts
from runlog.store.roots import Roots, elsewhere, is_below, lost, rest_below, with_mount

ZEROS = (Kind.DARK.value, Kind.BIAS.value)
FOLDERS_ASKED = 50  # of more all files are loaded
FILES_ASKED = 5000  # the same, of files that may be copies
AT_ONCE = 1000  # values in one statement


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


def known_files(
    connection: Connection, roots: Roots, folders: Sequence[bytes] | None = None
) -> dict[bytes, KnownFile]:
    """Load the known files of the roots that this machine has, by their paths here.

    With some folders or files of this machine only what lies below them, as far as that can be
    asked for: a club's archive holds a hundred times what one scan looks at.
    """
    f = m.file.c
    query = select(f.path, f.id, f.root_id, f.size, f.mtime_ns, f.error, f.missing)
    if (only := _below(roots, folders)) is not None:
        query = query.where(only)
    starts = _starts(roots)
    # Sieved here: by its root a database looks files up one by one.
    return {
        starts[root_id] + path: KnownFile(i, root_id, size, mtime_ns, error, missing)
        for path, i, root_id, size, mtime_ns, error, missing in connection.execute(query)
        if root_id in starts
    }


def _below(roots: Roots, folders: Sequence[bytes] | None) -> ColumnElement[bool] | None:
    """Mean files below some folders; None where all there are had better be looked through."""
    if folders is None or len(folders) > FOLDERS_ASKED:
        return None
    here = roots.here
    whole = {root.id for root in here for folder in folders if is_below(root.folder, folder)}
    if len(whole) == len(here):
        return None
    parts = [
        and_(m.file.c.root_id == root.id, _at_or_below(rest_below(folder, root.folder)))
        for root in here
        for folder in folders
        if root.id not in whole and is_below(folder, root.folder)
    ]
    return or_(false(), m.file.c.root_id.in_(whole), *parts)


def _at_or_below(place: bytes) -> ColumnElement[bool]:
    """Mean a file, or those of a folder: all that begin so, from / up to what follows on it."""
    path = m.file.c.path
    return or_(path == place, and_(path >= place + b"/", path < place + b"0"))


def roots_with_more(connection: Connection, loaded: Mapping[int, int]) -> set[int]:
    """Tell which roots have more files than so many of them that were loaded."""
    f = m.file.c
    query = select(f.root_id, func.count()).where(f.root_id.in_(loaded)).group_by(f.root_id)
    return {root_id for root_id, count in connection.execute(query) if count > loaded[root_id]}


def _starts(roots: Roots) -> dict[int, bytes]:
    """Give what stands before the paths of each root that this machine has."""
    return {root.id: roots.start(root.id) for root in roots.here}


def known_pixels(
    connection: Connection, found: Collection[tuple[int, int]] | None = None
) -> PixelIndex:
    """Index stored frames by their files' size and time of change, which copies share.

    Of a few files that were found only those that may be copies of them are looked for.
    """
    f = m.frame.c
    query = (
        select(m.file.c.size, m.file.c.mtime_ns, f.content_key)
        .add_columns(f.measured_with.is_not(None), f.level.is_not(None))
        .select_from(m.file)
        .join(m.header)
        .join(m.frame)
    )
    index: PixelIndex = {}
    for part in _in_parts(found):
        only = query if part is None else query.where(m.file.c.mtime_ns.in_(part))
        for size, mtime_ns, key, measured, levelled in connection.execute(only):
            index.setdefault((size, mtime_ns), []).append((key, bool(measured), bool(levelled)))
    return index


def _in_parts(found: Collection[tuple[int, int]] | None) -> list[list[int] | None]:
    """Cut times of change into what one question asks for; None asks for all there are."""
    if found is None or len(found) > FILES_ASKED:
        return [None]
    times = sorted({mtime_ns for _, mtime_ns in found})
    return list(in_parts(times, AT_ONCE))


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
