"""Where frames' files lie, and frames by their files or keys."""

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any

from sqlalchemy import BindParameter, Connection, and_, bindparam, func, or_, select

from runlog.store import models as m
from runlog.store.parts import MANY_IN_ONE_QUESTION, in_parts
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
    asked = [query]
    if frame_ids is not None:
        parts = in_parts(frame_ids, MANY_IN_ONE_QUESTION)
        asked = [query.where(h.frame_id.in_(written_out(part))) for part in parts]
    roots = Roots.load(connection)
    starts = {root.id: (roots.start(root.id), root.away) for root in roots.all}
    found: dict[int, list[tuple[bool, bool, bytes]]] = {}
    rows = chain.from_iterable(connection.execute(one) for one in asked)
    for frame_id, root_id, path, missing, speaks in rows:
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


def _beginning_alike(connection: Connection, keys: Sequence[str]) -> dict[str, list[str]]:
    """Load for each key the others that begin as it does, by the index: archives have a million."""
    own, other = m.frame.alias(), m.frame.alias()
    key, start = own.c.content_key, func.substr(own.c.content_key, 1, SHORT_KEY)
    # No digit of a key sorts behind z, whatever the database sorts by.
    alike = and_(other.c.content_key.between(start, start.concat("z")), other.c.content_key != key)
    asked: BindParameter[Any] = bindparam("some", expanding=True)
    query = select(key, other.c.content_key).join_from(own, other, alike).where(key.in_(asked))
    found: dict[str, list[str]] = {}
    for part in in_parts(keys):
        for one, like_it in connection.execute(query, {"some": part}):
            found.setdefault(one, []).append(like_it)
    return found


def starts_of_keys(connection: Connection, keys: Iterable[str]) -> dict[str, str]:
    """Give for each key the shortest start of SHORT_KEY digits or more that no other has."""
    wanted = sorted(set(keys))
    found = {key: key[:SHORT_KEY] for key in wanted}
    for key, others in _beginning_alike(connection, wanted).items():
        found[key] = next(
            key[:n]
            for n in range(SHORT_KEY, len(key) + 1)
            if not any(other.startswith(key[:n]) for other in others)
        )
    return found
