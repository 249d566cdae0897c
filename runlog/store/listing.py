"""Where frames' files lie, and frames by their files or keys."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BindParameter, Connection, bindparam, func, select

from runlog.store import models as m


def written_out(ids: Sequence[int]) -> BindParameter[Any]:
    """Put numbers into a statement as they are: there may be more than it takes as parameters."""
    return bindparam(None, ids, expanding=True, literal_execute=True)


def paths_of_frames(
    connection: Connection, frame_ids: Sequence[int] | None = None
) -> dict[int, list[tuple[bytes, bool]]]:
    """Load the files of some frames, or of all, as (path, missing), those still there first."""
    query = (
        select(m.header.c.frame_id, m.file.c.path, m.file.c.missing)
        .join(m.header, m.header.c.id == m.file.c.header_id)
        .order_by(m.header.c.frame_id, m.file.c.missing, ~m.header.c.speaks, m.file.c.path)
    )
    if frame_ids is not None:
        query = query.where(m.header.c.frame_id.in_(written_out(frame_ids)))
    paths: dict[int, list[tuple[bytes, bool]]] = {}
    for frame_id, path, missing in connection.execute(query):
        paths.setdefault(frame_id, []).append((bytes(path), missing))
    return paths


def frames_at(connection: Connection, path: bytes) -> list[int]:
    """Find the frame of a path."""
    query = select(m.header.c.frame_id).join(m.file).where(m.file.c.path == path)
    return list(connection.execute(query).scalars())


def frames_named(connection: Connection, name: bytes) -> list[int]:
    """Find frames by their file's name alone, in whatever folder."""
    path, end = m.file.c.path, b"/" + name
    ending = func.substr(path, func.length(path) - len(end) + 1)
    query = select(m.header.c.frame_id).distinct().join(m.file)
    query = query.where(func.length(path) >= len(end), ending == end)
    return list(connection.execute(query.order_by(m.header.c.frame_id)).scalars())


def frames_keyed(connection: Connection, start: str) -> list[int]:
    """Find frames by the start of their key."""
    key = m.frame.c.content_key  # of hexadecimal digits: "g" comes after them all
    by_key = select(m.frame.c.id).where(key >= start, key < f"{start}g")
    return list(connection.execute(by_key.limit(50)).scalars())
