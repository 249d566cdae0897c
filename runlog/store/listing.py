"""Where frames' files lie, and frames by their files or keys."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BindParameter, Connection, and_, bindparam, func, or_, select

from runlog.store import models as m
from runlog.store.roots import Roots


def written_out(ids: Sequence[int]) -> BindParameter[Any]:
    """Put numbers into a statement as they are: there may be more than it takes as parameters."""
    return bindparam(None, ids, expanding=True, literal_execute=True)


def paths_of_frames(
    connection: Connection, frame_ids: Sequence[int] | None = None
) -> dict[int, list[tuple[bytes, bool]]]:
    """Load the files of some frames, or of all, as (path, missing), those still there first.

    Where this machine does not have a file's root, the path is name:path, and it is missing.
    """
    h, f = m.header.c, m.file.c
    query = (
        select(h.frame_id, f.root_id, f.path, f.missing, h.speaks)
        .select_from(m.file)
        .join(m.header, h.id == f.header_id)
    )
    if frame_ids is not None:
        query = query.where(h.frame_id.in_(written_out(frame_ids)))
    roots = Roots.load(connection)
    starts = {root.id: (roots.start(root.id), root.away) for root in roots.all}
    found: dict[int, list[tuple[bool, bool, bytes]]] = {}
    for frame_id, root_id, path, missing, speaks in connection.execute(query):
        start, away = starts[root_id]
        found.setdefault(frame_id, []).append((missing or away, not speaks, start + path))
    return {
        frame_id: [(path, gone) for gone, _, path in sorted(files)]
        for frame_id, files in found.items()
    }


def frames_at(connection: Connection, path: bytes) -> list[int]:
    """Find the frame of a path of this machine, or of one written name:path."""
    roots = Roots.load(connection)
    place = roots.place(path) or roots.spelt(path)
    if place is None:
        return []
    query = select(m.header.c.frame_id).join(m.file)
    query = query.where(m.file.c.root_id == place.root_id, m.file.c.path == place.path)
    return list(connection.execute(query).scalars())


def frames_named(connection: Connection, name: bytes) -> list[int]:
    """Find frames by their file's name alone, in whatever folder."""
    path, end = m.file.c.path, b"/" + name
    ending = func.substr(path, func.length(path) - len(end) + 1)
    below = and_(func.length(path) >= len(end), ending == end)
    query = select(m.header.c.frame_id).distinct().join(m.file).where(or_(path == name, below))
    return list(connection.execute(query.order_by(m.header.c.frame_id)).scalars())


def frames_keyed(connection: Connection, start: str) -> list[int]:
    """Find frames by the start of their key."""
    key = m.frame.c.content_key  # of hexadecimal digits: "g" comes after them all
    by_key = select(m.frame.c.id).where(key >= start, key < f"{start}g")
    return list(connection.execute(by_key.limit(50)).scalars())
