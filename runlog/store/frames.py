"""Put read files into the database: one frame for the same pixels, one header that speaks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from runlog.core.frame import (
    Context,
    FrameHeader,
    Identity,
    Judgement,
    Measurement,
    Placement,
    Shape,
)
from runlog.core.identity import fold_name
from runlog.core.pixels import ReadFrame
from runlog.store import models as m
from runlog.store.engine import upsert
from runlog.store.exposures import contends, recount, recount_new
from runlog.store.headers import header_values
from runlog.store.mapping import columns_of
from runlog.store.parts import in_parts
from runlog.store.previews import put_previews
from runlog.store.roots import FilePlace, Roots, below, with_mount
from runlog.store.runs import Rig, run_id_for, touch
from runlog.store.stars import put_stars

UNSETTLED_NS = -1


@dataclass(frozen=True, slots=True)
class FileStamp:
    """Where a file lies, and what tells whether its content changed."""

    path: bytes  # on this machine
    size: int
    mtime_ns: int
    place: FilePlace
    told: bytes  # the path as first known, whose names tell what headers leave out


def stamp_of(roots: Roots, path: bytes, size: int, mtime_ns: int) -> FileStamp:
    """Stamp a file of this machine, which lies in a root of it."""
    place = roots.place(path)
    assert place is not None, "what is read lies in a root"
    return FileStamp(path, size, mtime_ns, place, roots.told(place))


@dataclass(frozen=True, slots=True)
class Interpreted:
    """What a header means under a person's settings and corrections."""

    header: FrameHeader
    context: Context
    rig: Rig


@dataclass(frozen=True, slots=True)
class NewFrame:
    """A frame that is not stored yet, with its first file."""

    stamp: FileStamp
    read: ReadFrame
    meant: Interpreted
    shape: Shape  # of its pixels, and the type that the header that speaks gives them


@dataclass(frozen=True, slots=True)
class Standing:
    """A stored frame, as far as a new meaning of its header changes it."""

    id: int
    content_key: str
    run_id: int
    taken_at_utc: datetime | None
    shape: Shape


# --- what is stored -------------------------------------------------------------------------


def ids_of_keys(connection: Connection, content_keys: Sequence[str]) -> dict[str, int]:
    """Find which of some content keys are stored, and their frames."""
    f = m.frame.c
    query = select(f.content_key, f.id).where(f.content_key.in_(content_keys))
    return {row.content_key: row.id for row in connection.execute(query)}


def frames_of_places(connection: Connection, places: Sequence[FilePlace]) -> dict[FilePlace, int]:
    """Find the frames that some files held when they were last read."""
    f = m.file.c
    query = select(f.root_id, f.path, m.header.c.frame_id).join(m.header)
    query = query.where(f.root_id.in_({at.root_id for at in places}))
    rows = connection.execute(query.where(f.path.in_([at.path for at in places])))
    found = {FilePlace(root_id, bytes(path)): frame_id for root_id, path, frame_id in rows}
    return {at: found[at] for at in places if at in found}


def other_files(connection: Connection, frame_id: int, place: FilePlace) -> list[bytes | None]:
    """List where the other files of a frame are on this machine; None is another machine's."""
    f = m.file.c
    files = with_mount(connection, m.file, m.mount).join(m.header)
    query = select(f.root_id, f.path, m.mount.c.path, f.missing).select_from(files)
    return [
        None if folder is None else below(bytes(folder), bytes(path))
        for root_id, path, folder, missing in connection.execute(
            query.where(m.header.c.frame_id == frame_id)
        )
        if FilePlace(root_id, bytes(path)) != place and not (folder is None and missing)
    ]


def standing_frames(connection: Connection, frame_ids: Sequence[int]) -> list[Standing]:
    """Load what a new meaning of the header is held against, in the order asked for."""
    f = m.frame.c
    query = select(
        f.id, f.content_key, f.run_id, f.taken_at_utc, f.width, f.height, f.planes, f.bitpix
    )
    found: dict[int, Standing] = {}
    for part in in_parts(frame_ids):
        for row in connection.execute(query.where(f.id.in_(part))):
            found[row.id] = Standing(*row[:4], Shape(*row[4:]))
    return [found[frame_id] for frame_id in frame_ids]


# --- new frames -----------------------------------------------------------------------------


def insert_frames(
    connection: Connection, frames: Sequence[NewFrame], now: datetime
) -> dict[str, int]:
    """Store frames that are not known yet, each with its file; gives their rows by key."""
    run_ids = _runs_of(connection, frames)
    rows = [_frame_row(new, run_ids[_run_key(new.meant)]) for new in frames]
    connection.execute(insert(m.frame), rows)
    ids = ids_of_keys(connection, [new.read.content_key for new in frames])
    _insert_files(connection, frames, ids, now)
    _put_pictures(connection, {ids[new.read.content_key]: new.read for new in frames})
    touch(connection, sorted(set(run_ids.values())))
    headers = [new.meant.header for new in frames]
    recount_new(connection, {h.taken_at_utc for h in headers if h.taken_at_utc and contends(h)})
    return ids


def _run_key(meant: Interpreted) -> tuple[Rig, str]:
    return meant.rig, meant.context.night


def _runs_of(connection: Connection, frames: Iterable[NewFrame]) -> dict[tuple[Rig, str], int]:
    keys = dict.fromkeys(_run_key(new.meant) for new in frames)
    return {key: run_id_for(connection, *key) for key in keys}


def _frame_row(new: NewFrame, run_id: int) -> dict[str, Any]:
    got = new.read.measurement
    values = columns_of(Identity(new.read.content_key, 0, True, "", *astuple(new.shape)))
    values |= columns_of(got) | columns_of(Placement()) | columns_of(Judgement())
    values |= header_columns(new.meant) | pixel_columns(got)
    values["run_id"] = run_id
    del values["id"]
    return values


def _insert_files(
    connection: Connection, frames: Sequence[NewFrame], ids: Mapping[str, int], now: datetime
) -> None:
    """Store the headers of new frames, which speak for want of others, and their files."""
    rows = [
        header_values(
            ids[new.read.content_key], new.read, new.meant.header.stage_by_cards, speaks=True
        )
        for new in frames
    ]
    connection.execute(insert(m.header), rows)
    h = m.header.c
    query = select(h.frame_id, h.id).where(h.frame_id.in_(list(ids.values())))
    headers: dict[int, int] = {row.frame_id: row.id for row in connection.execute(query)}
    files = [_file_row(new.stamp, headers[ids[new.read.content_key]], now) for new in frames]
    upsert(connection, m.file, files, by=("root_id", "path"))


def _put_pictures(connection: Connection, reads: Mapping[int, ReadFrame]) -> None:
    put_stars(
        connection,
        {i: r.measurement.star_list for i, r in reads.items() if r.measurement.measured},
    )
    put_previews(connection, {i: r.preview for i, r in reads.items() if r.preview})


# --- files ----------------------------------------------------------------------------------


def put_file(connection: Connection, stamp: FileStamp, header_id: int, now: datetime) -> None:
    """Remember a file that was read, and the header it has."""
    upsert(connection, m.file, [_file_row(stamp, header_id, now)], by=("root_id", "path"))


def put_failure(
    connection: Connection, stamp: FileStamp, reason: str, now: datetime, passing: bool = False
) -> None:
    """Remember that a file could not be read; it is read again when it changes.

    One that may be readable next time is kept with an impossible time of change, so that every
    scan tries it again.
    """
    if passing:
        stamp = replace(stamp, mtime_ns=UNSETTLED_NS)
    old = frames_of_places(connection, [stamp.place])
    row = _file_row(stamp, None, now) | {"error": reason}
    upsert(connection, m.file, [row], by=("root_id", "path"))
    touch(connection, [frame.run_id for frame in standing_frames(connection, list(old.values()))])


def _file_row(stamp: FileStamp, header_id: int | None, now: datetime) -> dict[str, Any]:
    return {
        "root_id": stamp.place.root_id,
        "path": stamp.place.path,
        "size": stamp.size,
        "mtime_ns": stamp.mtime_ns,
        "header_id": header_id,
        "error": None,
        "missing": False,
        "read_at_utc": now,
    }


def path_parts(path: bytes) -> tuple[str, ...]:
    """Split a path into the last folder names and the file name, as text."""
    return tuple(part.decode("utf-8", "replace") for part in path.split(b"/") if part)[-4:]


# --- frames that are known ------------------------------------------------------------------


def write_meaning(
    connection: Connection, before: Standing, meant: Interpreted, shape: Shape
) -> None:
    """Store what the header that speaks means now; marks the runs it touches dirty."""
    run_id = run_id_for(connection, *_run_key(meant))
    values = header_columns(meant) | {"run_id": run_id, "bitpix": shape.bitpix}
    if not contends(meant.header):
        values["counted"] = True
    connection.execute(update(m.frame).where(m.frame.c.id == before.id).values(values))
    touch(connection, sorted({before.run_id, run_id}))
    starts = {before.taken_at_utc, meant.header.taken_at_utc}
    for start in sorted(start for start in starts if start is not None):
        recount(connection, start)


def add_measurement(connection: Connection, frame_id: int, header_id: int, read: ReadFrame) -> None:
    """Store what a copy's pixels gave where nothing is stored yet, or its header speaks."""
    f, h = m.frame.c, m.header.c
    query = select(f.measured_with, f.level, h.speaks).join(m.header, h.frame_id == f.id)
    have = connection.execute(query.where(h.id == header_id)).one()
    got = read.measurement
    known = have.measured_with is not None if got.measured else have.level is not None
    values = pixel_columns(got)
    if not values or (known and not have.speaks):
        return
    connection.execute(update(m.frame).where(f.id == frame_id).values(values))
    _put_pictures(connection, {frame_id: read})


def header_columns(meant: Interpreted) -> dict[str, Any]:
    """Columns of a frame that come from the header that speaks.

    What was worked out from the old header is empty, and is worked out again.
    """
    values = columns_of(meant.header) | columns_of(meant.context)
    del values["run_id"]
    return values | {"camera_key": fold_name(meant.header.camera), "matched_to": None}


def pixel_columns(got: Measurement) -> dict[str, Any]:
    """Columns of a frame that come from its pixels; none of those nothing was found out about."""
    values = columns_of(got)
    if not got.measured:
        return {name: values[name] for name in ("level", "signs")} if got.level else {}
    if got.level is None:
        del values["level"]
    # Until other exposures tell which of its lines recur, all are trails.
    return values | {"streaks": values["streaks_seen"], "matched_to": None}
