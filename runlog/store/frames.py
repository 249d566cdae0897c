"""Put read files into the database: one frame for the same pixels, one header that speaks."""

import hashlib
import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from runlog.core.corrections.in_force import NOTHING_SAID, Said
from runlog.core.frame import (
    Card,
    Context,
    FrameHeader,
    Identity,
    Judgement,
    Measurement,
    Placement,
    Shape,
    Stage,
)
from runlog.core.header.questions import contradiction
from runlog.core.identity import HeaderCopy, fold_name, speaking_header
from runlog.core.pixels import ReadFrame
from runlog.store import models as m
from runlog.store.corrections import said_of
from runlog.store.engine import upsert
from runlog.store.exposures import contends, recount
from runlog.store.mapping import columns_of
from runlog.store.previews import put_preview
from runlog.store.runs import Place, run_id_for, touch
from runlog.store.stars import put_stars

UNSETTLED_NS = -1


@dataclass(frozen=True, slots=True)
class FileStamp:
    """A path and what tells whether its content changed."""

    path: bytes
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Interpreted:
    """A header's meaning and where its frame belongs."""

    header: FrameHeader
    place: Place
    target: str
    filter: str
    corrected: tuple[str, ...] = ()  # names of the values a person corrected


# (cards, shape, folder and file names, what a person said) -> meaning
Interpreter = Callable[[Sequence[Card], Shape, Sequence[str], Said], Interpreted]


class Arrival(StrEnum):
    """What a file that was read turned out to be."""

    NEW = "new"
    COPY = "duplicate"  # these pixels are known and another file still holds them
    KNOWN = "known"  # the file was read before: header or nothing changed


@dataclass(frozen=True, slots=True)
class Put:
    """Where a file ended up."""

    frame_id: int
    arrival: Arrival
    other_paths: tuple[bytes, ...]


def put_frame(
    connection: Connection, stamp: FileStamp, read: ReadFrame, interpret: Interpreter, now: datetime
) -> Put:
    """Store one file's frame, or recognise its pixels; marks the runs it touches dirty."""
    frame_id = _known_frame(connection, read.content_key)
    others = _paths_of(connection, frame_id, besides=stamp.path) if frame_id else ()
    arrival = _arrival(connection, frame_id, stamp, others)
    if frame_id is None:
        frame_id = _insert_frame(connection, stamp, read, interpret)
    old_frame = _frame_of_file(connection, stamp.path)
    header_id = _put_header(connection, frame_id, read, interpret)
    _put_file(connection, stamp, header_id, now)
    for touched in {frame_id, frame_id if old_frame is None else old_frame}:
        _choose_header(connection, touched, interpret)
    if arrival is not Arrival.NEW:
        _add_measurement(connection, frame_id, header_id, read)
    return Put(frame_id, arrival, others)


def put_failure(
    connection: Connection, stamp: FileStamp, reason: str, now: datetime, passing: bool = False
) -> None:
    """Remember that a file could not be read; it is read again when it changes.

    One that may be readable next time is kept with an impossible time of change, so that every
    scan tries it again.
    """
    if passing:
        stamp = replace(stamp, mtime_ns=UNSETTLED_NS)
    old_frame = _frame_of_file(connection, stamp.path)
    values = _file_values(stamp, None, now) | {"error": reason}
    _upsert_file(connection, values)
    if old_frame is not None:
        touch(connection, [_run_of(connection, old_frame)])


def _arrival(
    connection: Connection, frame_id: int | None, stamp: FileStamp, others: Sequence[bytes]
) -> Arrival:
    if frame_id is None:
        return Arrival.NEW
    if _frame_of_file(connection, stamp.path) == frame_id:
        return Arrival.KNOWN
    return Arrival.COPY


def _known_frame(connection: Connection, content_key: str) -> int | None:
    query = select(m.frame.c.id).where(m.frame.c.content_key == content_key)
    return connection.execute(query).scalar()


def _run_of(connection: Connection, frame_id: int) -> int:
    query = select(m.frame.c.run_id).where(m.frame.c.id == frame_id)
    return int(connection.execute(query).scalar_one())


def _frame_of_file(connection: Connection, path: bytes) -> int | None:
    query = select(m.header.c.frame_id).join(m.file).where(m.file.c.path == path)
    return connection.execute(query).scalar()


def _paths_of(connection: Connection, frame_id: int, besides: bytes) -> tuple[bytes, ...]:
    query = (
        select(m.file.c.path)
        .join(m.header)
        .where(m.header.c.frame_id == frame_id, m.file.c.path != besides)
        .order_by(m.file.c.path)
    )
    return tuple(connection.execute(query).scalars())


# --- the file and its header ---------------------------------------------------------------


def pack_cards(cards: Sequence[Card]) -> bytes:
    """Pack header cards for storage, in the order they stand in the file."""
    text = json.dumps([[c.keyword, c.value, c.comment] for c in cards], ensure_ascii=False)
    return zlib.compress(text.encode("utf-8", "surrogatepass"))


def unpack_cards(packed: bytes) -> tuple[Card, ...]:
    """Undo `pack_cards`."""
    text = zlib.decompress(packed).decode("utf-8", "surrogatepass")
    return tuple(Card(*entry) for entry in json.loads(text))


def digest_of(cards: Sequence[Card]) -> str:
    """Name a header by its cards, whatever order they stand in."""
    lines = sorted(json.dumps([c.keyword, c.value, c.comment]) for c in cards)
    return hashlib.blake2b("\n".join(lines).encode(), digest_size=16).hexdigest()


def _put_header(
    connection: Connection, frame_id: int, read: ReadFrame, interpret: Interpreter
) -> int:
    digest = digest_of(read.cards)
    query = select(m.header.c.id).where(
        m.header.c.frame_id == frame_id, m.header.c.digest == digest
    )
    known = connection.execute(query).scalar()
    if known is not None:
        return int(known)
    values = {
        "frame_id": frame_id,
        "digest": digest,
        "stage": interpret(read.cards, read.shape, (), NOTHING_SAID).header.stage.value,
        "card_count": len(read.cards),
        "cards": pack_cards(read.cards),
        "speaks": False,
    }
    return _inserted(connection, m.header, values)


def _inserted(connection: Connection, table: Any, values: dict[str, Any]) -> int:
    key = connection.execute(insert(table).values(values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _file_values(stamp: FileStamp, header_id: int | None, now: datetime) -> dict[str, Any]:
    return {
        "path": stamp.path,
        "size": stamp.size,
        "mtime_ns": stamp.mtime_ns,
        "header_id": header_id,
        "error": None,
        "missing": False,
        "read_at_utc": now,
    }


def _put_file(connection: Connection, stamp: FileStamp, header_id: int, now: datetime) -> None:
    _upsert_file(connection, _file_values(stamp, header_id, now))


def _upsert_file(connection: Connection, values: dict[str, Any]) -> None:
    upsert(connection, m.file, [values], by=("path",))


def _choose_header(connection: Connection, frame_id: int, interpret: Interpreter) -> None:
    """Let the header chosen by rule speak; the order in which files came does not matter."""
    rows = _headers_with_files(connection, frame_id)
    if not rows:
        touch(connection, [_run_of(connection, frame_id)])
        return
    chosen = rows[speaking_header([_copy(row) for row in rows]) if len(rows) > 1 else 0]
    connection.execute(
        update(m.header)
        .where(m.header.c.frame_id == frame_id)
        .values(speaks=m.header.c.id == chosen.id)
    )
    others = [unpack_cards(row.cards) for row in rows if row.id != chosen.id]
    _apply_header(connection, frame_id, chosen.id, unpack_cards(chosen.cards), others, interpret)


REMARKS = frozenset({"HISTORY", "COMMENT", "CONTINUE", ""})


def _copy(row: Any) -> HeaderCopy:
    keywords = {card.keyword for card in unpack_cards(row.cards)} - REMARKS
    return HeaderCopy(Stage(row.stage), len(keywords), row.written_ns, row.digest)


def reinterpret(connection: Connection, frame_ids: Sequence[int], interpret: Interpreter) -> None:
    """Read the meaning of stored headers anew, as after a correction; marks runs dirty."""
    for frame_id in frame_ids:
        _choose_header(connection, frame_id, interpret)


def _headers_with_files(connection: Connection, frame_id: int) -> Sequence[Any]:
    query = (
        select(m.header, func.min(m.file.c.mtime_ns).label("written_ns"))
        .join(m.file, m.file.c.header_id == m.header.c.id)
        .where(m.header.c.frame_id == frame_id)
        .group_by(m.header.c.id)
    )
    return connection.execute(query).all()


def _apply_header(
    connection: Connection,
    frame_id: int,
    header_id: int,
    cards: Sequence[Card],
    others: Sequence[Sequence[Card]],
    interpret: Interpreter,
) -> None:
    before = connection.execute(select(m.frame).where(m.frame.c.id == frame_id)).one()
    shape = Shape(before.width, before.height, before.planes, _bitpix(cards, before.bitpix))
    names = path_parts(_first_path(connection, header_id))
    person = said_of(connection, before.content_key)
    said = interpret(cards, shape, names, person)
    copies = [interpret(other, shape, names, person) for other in others]
    run_id = run_id_for(connection, said.place)
    if parts := [part for part, of in IN_DOUBT.items() if _doubted(of, said, copies)]:
        asked = (*said.header.questions, contradiction(parts))
        said = replace(said, header=replace(said.header, questions=asked))
    values = header_columns(said) | {"run_id": run_id, "bitpix": shape.bitpix}
    if not contends(said.header):
        values["counted"] = True
    connection.execute(update(m.frame).where(m.frame.c.id == frame_id).values(values))
    touch(connection, sorted({before.run_id, run_id}))
    for start in {before.taken_at_utc, said.header.taken_at_utc} - {None}:
        recount(connection, start)


def _bitpix(cards: Sequence[Card], otherwise: int) -> int:
    """Take the type of the stored values from the header that speaks: copies may differ in it."""
    found = next((card.value for card in cards if card.keyword == "BITPIX"), None)
    return found if isinstance(found, int) else otherwise


def _first_path(connection: Connection, header_id: int) -> bytes:
    query = select(m.file.c.path).where(m.file.c.header_id == header_id).order_by(m.file.c.path)
    return bytes(connection.execute(query).scalars().first() or b"")


def path_parts(path: bytes) -> tuple[str, ...]:
    """Split a path into the last folder names and the file name, as text."""
    return tuple(part.decode("utf-8", "replace") for part in path.split(b"/") if part)[-4:]


# --- the frame ------------------------------------------------------------------------------


def _insert_frame(
    connection: Connection, stamp: FileStamp, read: ReadFrame, interpret: Interpreter
) -> int:
    personal = said_of(connection, read.content_key)
    said = interpret(read.cards, read.shape, path_parts(stamp.path), personal)
    frame = Identity(read.content_key, 0, True, "", *astuple(read.shape))
    values = columns_of(frame) | columns_of(read.measurement)
    values |= columns_of(Placement()) | columns_of(Judgement())
    values |= header_columns(said) | pixel_columns(read.measurement)
    values["run_id"] = run_id_for(connection, said.place)
    del values["id"]
    frame_id = _inserted(connection, m.frame, values)
    _put_pictures(connection, frame_id, read)
    return frame_id


def _put_pictures(connection: Connection, frame_id: int, read: ReadFrame) -> None:
    if read.measurement.measured:
        put_stars(connection, frame_id, read.measurement.star_list)
    put_preview(connection, frame_id, read.preview)


def _add_measurement(
    connection: Connection, frame_id: int, header_id: int, read: ReadFrame
) -> None:
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
    _put_pictures(connection, frame_id, read)


# What copies of a frame must agree on: its place in the totals hangs on these.
IN_DOUBT: dict[str, Callable[[Interpreted], object]] = {
    "start": lambda said: said.header.taken_at_utc,
    "length": lambda said: said.header.exposure_s,
    "target": lambda said: said.target,
    "filter": lambda said: said.filter,
}


def _doubted(
    of: Callable[[Interpreted], object], said: Interpreted, copies: Sequence[Interpreted]
) -> bool:
    """Tell whether a copy says something else; one that is silent contradicts nothing."""
    return any(of(copy) not in (None, "", of(said)) for copy in copies)


def header_columns(said: Interpreted) -> dict[str, Any]:
    """Columns of a frame that come from the header that speaks.

    What was worked out from the old header is empty, and is worked out again.
    """
    header = said.header
    context = Context(
        header.kind,
        header.kind_from,
        night_from=said.place.night_from,
        target=said.target,
        filter=said.filter,
        corrected=said.corrected,
    )
    values = columns_of(header) | columns_of(context)
    del values["run_id"]
    return values | {"camera_key": fold_name(header.camera), "matched_to": None}


def pixel_columns(got: Measurement) -> dict[str, Any]:
    """Columns of a frame that come from its pixels; none of those nothing was found out about."""
    values = columns_of(got)
    if not got.measured:
        return {name: values[name] for name in ("level", "signs")} if got.level else {}
    if got.level is None:
        del values["level"]
    # Until other exposures tell which of its lines recur, all are trails.
    return values | {"streaks": values["streaks_seen"], "matched_to": None}
