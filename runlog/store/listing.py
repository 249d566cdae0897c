"""Where frames' files lie, and frames by their files or keys."""

from collections.abc import Sequence

from sqlalchemy import Connection, select

from runlog.store import models as m
from runlog.store.roots import Roots


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
        query = query.where(h.frame_id.in_(frame_ids))
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
    query = select(m.file.c.path, m.header.c.frame_id).join(m.header).order_by(m.header.c.frame_id)
    # Bytes: compared here, as databases differ in what they can do with them.
    found = (i for path, i in connection.execute(query) if bytes(path).rpartition(b"/")[2] == name)
    return list(dict.fromkeys(found))


def frames_keyed(connection: Connection, start: str) -> list[int]:
    """Find frames by the start of their key."""
    by_key = select(m.frame.c.id).where(m.frame.c.content_key.startswith(start, autoescape=True))
    return list(connection.execute(by_key.limit(50)).scalars())
