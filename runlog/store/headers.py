"""The headers that a frame's files have: every card is kept, and one of them speaks."""

import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select, update

from runlog.core.frame import Card, Stage
from runlog.core.identity import HeaderCopy
from runlog.core.pixels import ReadFrame
from runlog.store import models as m
from runlog.store.engine import id_of
from runlog.store.roots import below

REMARKS = frozenset({"HISTORY", "COMMENT", "CONTINUE", ""})


@dataclass(slots=True)
class StoredHeader:
    """One of the headers of a frame, with what its files tell."""

    id: int
    speaks: bool
    stage: Stage
    digest: str
    packed: bytes = field(repr=False)
    path: bytes  # the first of its files by name, where it was first
    written_ns: int  # of its oldest file

    @property
    def cards(self) -> tuple[Card, ...]:
        """Its cards, in the order they stand in the file."""
        return unpack_cards(self.packed)

    @property
    def copy(self) -> HeaderCopy:
        """What decides whether it speaks."""
        keywords = {card.keyword for card in self.cards} - REMARKS
        return HeaderCopy(self.stage, len(keywords), self.written_ns, self.digest)


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


def header_values(frame_id: int, read: ReadFrame, stage: Stage, *, speaks: bool) -> dict[str, Any]:
    """Give the row of a header; `stage` is what its cards alone tell."""
    return {
        "frame_id": frame_id,
        "digest": digest_of(read.cards),
        "stage": stage.value,
        "card_count": len(read.cards),
        "cards": pack_cards(read.cards),
        "speaks": speaks,
    }


def put_header(connection: Connection, frame_id: int, read: ReadFrame, stage: Stage) -> int:
    """Store a header that a file of a frame has, or find it among those stored; gives its row."""
    values = header_values(frame_id, read, stage, speaks=False)
    return id_of(connection, m.header, values, ("frame_id", "digest"))


def headers_of(connection: Connection, frame_ids: Sequence[int]) -> dict[int, list[StoredHeader]]:
    """Load the headers of some frames that still have files."""
    h, f = m.header.c, m.file.c
    query = (
        select(h.frame_id, f.mtime_ns, h.id, h.speaks, h.stage, h.digest, h.cards)
        .add_columns(m.root.c.origin, f.path)
        .join(m.file, f.header_id == h.id)
        .join(m.root, m.root.c.id == f.root_id)
        .where(h.frame_id.in_(frame_ids))
    )
    rows = [(*row[:-2], below(*map(bytes, row[-2:]))) for row in connection.execute(query)]
    found: dict[int, dict[int, StoredHeader]] = {}
    for frame_id, written_ns, at, speaks, stage, digest, cards, path in sorted(rows, key=_in_order):
        own = found.setdefault(frame_id, {})
        if at in own:
            own[at].written_ns = min(own[at].written_ns, written_ns)
        else:
            told = bool(speaks), Stage(stage), digest, bytes(cards)
            own[at] = StoredHeader(at, *told, path, written_ns)
    return {frame_id: list(own.values()) for frame_id, own in found.items()}


def _in_order(row: tuple[Any, ...]) -> tuple[int, bytes]:
    """Sort by frame and path as first known: the same on each machine."""
    return row[0], row[-1]


def let_speak(connection: Connection, frame_id: int, header_id: int) -> None:
    """Let one of a frame's headers speak, and no other."""
    connection.execute(
        update(m.header)
        .where(m.header.c.frame_id == frame_id)
        .values(speaks=m.header.c.id == header_id)
    )
