"""What lies below roots: counted, sampled to know a root again, moved from one to another."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, delete, func, select, update

from runlog.store import models as m
from runlog.store.machine import machine_of
from runlog.store.mine import is_keeper, login, me, my_files
from runlog.store.parts import in_parts
from runlog.store.roots import FilePlace, here

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
    mine: bool  # whether it may be moved


@dataclass(frozen=True, slots=True)
class Mount:
    """Where a login has a root on a machine."""

    machine: str
    login: str
    folder: bytes


def counts(connection: Connection) -> Counter[int]:
    """Count the files of each root."""
    query = select(m.file.c.root_id, func.count()).group_by(m.file.c.root_id)
    return Counter({int(root): int(files) for root, files in connection.execute(query)})


def mounts(connection: Connection) -> dict[int, list[Mount]]:
    """Give where each root is, on every machine and as every login has it."""
    at = m.mount.c
    found: dict[int, list[Mount]] = defaultdict(list)
    query = select(at.root_id, at.machine, at.login, at.path)
    rows = connection.execute(query.order_by(at.root_id, at.machine, at.login))
    for root_id, machine, of_login, path in rows:
        found[root_id].append(Mount(machine, of_login, bytes(path)))
    return found


def on_machines(connection: Connection) -> dict[int, dict[str, bytes]]:
    """Give where each root is: root -> machine -> folder, as whoever asks has it there if at all.

    What another login says stands where they say nothing.
    """
    own = login(connection) or ""
    return {
        root_id: {
            at.machine: at.folder
            for at in sorted(known, key=lambda at: (at.login == own, at.login))
        }
        for root_id, known in mounts(connection).items()
    }


def not_here(connection: Connection) -> dict[int, set[bytes]]:
    """Give the roots that this machine does not have, and the folders in which others do."""
    there = select(m.mount.c.root_id).where(here(connection, m.mount))
    away = select(m.root.c.id).where(m.root.c.id.not_in(there))
    ids = list(connection.execute(away).scalars())
    everywhere = mounts(connection) if ids else {}
    return {root_id: {at.folder for at in everywhere.get(root_id, [])} for root_id in ids}


def mine_alone(connection: Connection) -> set[int]:
    """List the roots that no other machine has, and all that is said of them is one's own.

    They may be made part of others; whoever may write everything may do so of all of this machine.
    """
    r, at, f = m.root.c, m.mount.c, m.file.c
    others = select(at.root_id).where(at.machine != machine_of(connection))
    query = select(r.id).where(r.id.not_in(others))
    if not is_keeper(connection):
        strangers = select(at.root_id).where(at.login != me(connection))
        query = query.where(r.login == me(connection), r.id.not_in(strangers))
        query = query.where(r.id.not_in(select(f.root_id).where(~my_files(connection))))
    return set(connection.execute(query).scalars())


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
    query = select(f.id, f.path, f.header_id, f.read_at_utc, my_files(connection))
    query = query.where(f.root_id == root_id)
    if start:
        query = query.where(f.path >= start, f.path < start[:-1] + b"0")  # 0 comes after /
    return [
        LyingFile(i, FilePlace(root_id, bytes(path)), header_id, read, bool(mine))
        for i, path, header_id, read, mine in connection.execute(query.order_by(f.id))
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
