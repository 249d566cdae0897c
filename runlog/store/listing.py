"""Where frames' files lie, and frames by their files or keys."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import BindParameter, Connection, and_, bindparam, func, or_, select

from runlog.store import models as m
from runlog.store.parts import in_parts
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


def nights_of_keys(connection: Connection, ids: Sequence[int]) -> dict[str, str]:
    """Give the night of each of some frames by its key, in the order of nights."""
    f, r = m.frame.c, m.run.c
    query = select(f.content_key, r.night).outerjoin(m.run, r.id == f.run_id)
    rows = connection.execute(query.where(f.id.in_(ids)).order_by(r.night, f.content_key))
    return {key: night or "" for key, night in rows}


SHORT_KEY = 8  # digits: among 10,000 frames two alike are rarer than one archive in a hundred
FEW_KEYS = 1000  # of more it is quicker to look through all there are
KEYS_AT_ONCE = 100


def _beginning_as(connection: Connection, starts: Sequence[str]) -> list[str]:
    """Load the keys of which several begin so, by the index of keys: an archive has a million."""
    column, found = m.frame.c.content_key, list[str]()
    for part in in_parts(starts, KEYS_AT_ONCE):
        # No digit of a key sorts behind z, whatever the database sorts by.
        ranges = [column.between(s, f"{s}z") for s in part]
        found += connection.execute(select(column).where(or_(*ranges))).scalars()
    many = Counter(key[:SHORT_KEY] for key in found)
    return [key for key in found if many[key[:SHORT_KEY]] > 1]


def starts_of_keys(connection: Connection, keys: Iterable[str]) -> dict[str, str]:
    """Give for each key the shortest start of SHORT_KEY digits or more that no other has."""
    wanted = set(keys)
    column = m.frame.c.content_key
    start = func.substr(column, 1, SHORT_KEY)
    if len(wanted) <= FEW_KEYS:
        alike = _beginning_as(connection, sorted({key[:SHORT_KEY] for key in wanted}))
    else:
        shared = select(start).group_by(start).having(func.count() > 1)
        alike = list(connection.execute(select(column).where(start.in_(shared))).scalars())
    found = {key: key[:SHORT_KEY] for key in wanted}
    for key in wanted.intersection(alike):
        others = [other for other in alike if other != key]
        found[key] = next(
            key[:n]
            for n in range(SHORT_KEY, len(key) + 1)
            if not any(other.startswith(key[:n]) for other in others)
        )
    return found
