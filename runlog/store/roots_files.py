"""What lies below roots: counted, sampled to know a root again, moved from one to another."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, delete, func, select, update

from runlog.store import models as m
from runlog.store.machine import machine_of
from runlog.store.parts import in_parts
from runlog.store.roots import FilePlace

SAMPLE = 8  # files of each end


@dataclass(frozen=True, slots=True)
class Sampled:
    """A file by which a root is known again."""

    path: bytes
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class LyingFile:
    """A stored file, as far as moving it to another place needs to know."""

    id: int
    place: FilePlace
    header_id: int | None
    read_at_utc: datetime


def counts(connection: Connection) -> Counter[int]:
    """Count the files of each root."""
    query = select(m.file.c.root_id, func.count()).group_by(m.file.c.root_id)
    return Counter({int(root): int(files) for root, files in connection.execute(query)})


def machines(connection: Connection) -> dict[int, dict[str, bytes]]:
    """Give where each root is, on every machine: root -> machine -> folder."""
    at = m.mount.c
    found: dict[int, dict[str, bytes]] = defaultdict(dict)
    query = select(at.root_id, at.machine, at.path).order_by(at.root_id, at.machine)
    for root_id, machine, path in connection.execute(query):
        found[root_id][machine] = bytes(path)
    return found


def not_here(connection: Connection) -> dict[int, dict[str, bytes]]:
    """Give the roots that this machine does not have, and where others have them."""
    mine = select(m.mount.c.root_id).where(m.mount.c.machine == machine_of(connection))
    away = select(m.root.c.id).where(m.root.c.id.not_in(mine))
    ids = list(connection.execute(away).scalars())
    everywhere = machines(connection) if ids else {}
    return {root_id: everywhere.get(root_id, {}) for root_id in ids}


def sample(connection: Connection, root_id: int) -> list[Sampled]:
    """Load a few files of a root that were there last time: its first and its last."""
    f = m.file.c
    query = select(f.path, f.size, f.mtime_ns)
    query = query.where(f.root_id == root_id, ~f.missing, f.error.is_(None))
    ends = (query.order_by(order).limit(SAMPLE) for order in (f.id, f.id.desc()))
    found = {
        bytes(row[0]): Sampled(bytes(row[0]), *row[1:])
        for q in ends
        for row in connection.execute(q)
    }
    return list(found.values())


def files_of(connection: Connection, root_id: int, start: bytes = b"") -> list[LyingFile]:
    """Load the files of a root, or those in the folder that a start ending in / names."""
    f = m.file.c
    query = select(f.id, f.path, f.header_id, f.read_at_utc).where(f.root_id == root_id)
    if start:
        query = query.where(f.path >= start, f.path < start[:-1] + b"0")  # 0 comes after /
    return [
        LyingFile(i, FilePlace(root_id, bytes(path)), header_id, read)
        for i, path, header_id, read in connection.execute(query.order_by(f.id))
    ]


def move_files(
    connection: Connection, places: Mapping[int, FilePlace], gone: Iterable[int]
) -> None:
    """Put files into other places, which those that are gone made free."""
    listed = list(gone)
    for part in in_parts(listed):
        connection.execute(delete(m.file).where(m.file.c.id.in_(part)))
    rows = [{"this": i, "root": at.root_id, "at": at.path} for i, at in places.items()]
    if rows:
        this = update(m.file).where(m.file.c.id == bindparam("this"))
        connection.execute(this.values(root_id=bindparam("root"), path=bindparam("at")), rows)


def frames_of_headers(connection: Connection, header_ids: Iterable[int]) -> list[int]:
    """Find the frames of some headers."""
    wanted = sorted(header_ids)
    found: set[int] = set()
    for part in in_parts(wanted):
        query = select(m.header.c.frame_id).where(m.header.c.id.in_(part))
        found |= set(connection.execute(query).scalars())
    return sorted(found)


def forget_root(connection: Connection, root_id: int) -> None:
    """Take away a root that has no file any more."""
    connection.execute(delete(m.mount).where(m.mount.c.root_id == root_id))
    connection.execute(delete(m.root).where(m.root.c.id == root_id))
