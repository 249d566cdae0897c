"""Roots: folders that files lie below, by name, wherever each machine has them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    and_,
    case,
    exists,
    func,
    insert,
    select,
    tuple_,
    update,
)

from runlog.store import models as m
from runlog.store.engine import upsert
from runlog.store.machine import machine_of
from runlog.store.mine import is_shared, login, me


@dataclass(frozen=True, slots=True)
class FilePlace:
    """Where a file lies, as every machine knows it."""

    root_id: int
    path: bytes  # below the folder of its root


@dataclass(frozen=True, slots=True)
class Root:
    """A folder that files lie below, and where it is on this machine."""

    id: int
    name: str
    origin: bytes  # where it was first
    scanned_at_utc: datetime | None  # None where only single files of it were named
    away: bool  # not on this machine, or nothing of it was there when it was looked at


@dataclass(frozen=True, slots=True)
class MountedRoot(Root):
    """A root that this machine has."""

    folder: bytes
    own: bool  # said by whoever asks, not by another login of this machine


class Roots:
    """What turns paths of this machine into places and back."""

    def __init__(self, roots: Iterable[Root]) -> None:
        self._by_id = {root.id: root for root in roots}
        self._by_folder: dict[bytes, MountedRoot] = {}
        for root in self.here:
            self._by_folder.setdefault(_bare(root.folder), root)

    @classmethod
    def load(cls, connection: Connection) -> Self:
        """Load all roots, with their folders on the machine of the connection."""
        r, at, every = m.root.c, m.mount.c, m.mount.alias()
        scanned = select(func.max(every.c.scanned_at_utc)).where(every.c.root_id == r.id)
        query = select(r.id, r.name, r.origin, scanned.scalar_subquery(), at.path,
                       at.missing, at.login == me(connection))  # fmt: skip
        places = m.root.outerjoin(m.mount, and_(at.root_id == r.id, here(connection, m.mount)))
        rows = connection.execute(query.select_from(places).order_by(r.id))
        return cls(_root(*row) for row in rows)

    def __getitem__(self, root_id: int) -> Root:
        return self._by_id[root_id]

    @property
    def all(self) -> list[Root]:
        """All of them, by name."""
        return sorted(self._by_id.values(), key=lambda root: (root.name.casefold(), root.id))

    @property
    def here(self) -> list[MountedRoot]:
        """Those that this machine has."""
        return [root for root in self._by_id.values() if isinstance(root, MountedRoot)]

    def named(self, name: str) -> Root | None:
        """Find a root by its name, in large or small letters."""
        said = name.strip().casefold()
        return next((root for root in self.all if root.name.casefold() == said), None)

    def over(self, path: bytes) -> MountedRoot | None:
        """Find the root that a path of this machine lies in: the innermost, if they nest."""
        folder = _bare(path)
        while folder not in self._by_folder:
            if b"/" not in folder:
                return None
            folder = folder.rpartition(b"/")[0]
        return self._by_folder[folder]

    def place(self, path: bytes) -> FilePlace | None:
        """Give the place of a path of this machine; None where it lies in no root."""
        root = self.over(path)
        return None if root is None else FilePlace(root.id, rest_below(path, root.folder))

    def start(self, root_id: int) -> bytes:
        """Give what stands before a root's paths as they are shown: a folder/, else name: alone."""
        root = self._by_id[root_id]
        if isinstance(root, MountedRoot):
            return _bare(root.folder) + b"/"
        return root.name.encode("utf-8", "surrogateescape") + b":"

    def shown(self, root_id: int, path: bytes) -> bytes:
        """Write a place for a person: the path on this machine, else name:path."""
        root = self._by_id[root_id]
        if isinstance(root, MountedRoot) and not path:
            return root.folder
        return self.start(root_id) + path

    def told(self, place: FilePlace) -> bytes:
        """Give the path whose names tell what headers leave out: the same on each machine."""
        return below(self._by_id[place.root_id].origin, place.path)

    def spelt(self, text: bytes) -> FilePlace | None:
        """Read name:path, as a place is shown where this machine does not have its root."""
        start, colon, path = text.partition(b":")
        root = self.named(start.decode("utf-8", "surrogateescape")) if colon else None
        return None if root is None else FilePlace(root.id, path)


def _root(
    root_id: int,
    name: str,
    origin: bytes,
    scanned: datetime | None,
    folder: bytes | None,
    missing: bool | None,
    own: bool | None,
) -> Root:
    if folder is None:
        return Root(root_id, name, bytes(origin), scanned, away=True)
    at = bytes(folder)
    return MountedRoot(root_id, name, bytes(origin), scanned, bool(missing), at, bool(own))


def _bare(folder: bytes) -> bytes:
    return folder.rstrip(b"/")


def below(folder: bytes, path: bytes) -> bytes:
    """Join a folder and a path below it."""
    return _bare(folder) + b"/" + path if path else folder


def is_below(path: bytes, folder: bytes) -> bool:
    """Tell whether a path is a folder, or lies in it."""
    return (_bare(path) + b"/").startswith(_bare(folder) + b"/")


def rest_below(path: bytes, folder: bytes) -> bytes:
    """Give the part of a path below a folder it lies in; nothing where it is the folder."""
    return path[len(_bare(folder)) + 1 :]


# --- as conditions of a query -------------------------------------------------------------------


def here(connection: Connection, mounts: FromClause) -> ColumnElement[bool]:
    """Mean where roots are on this machine: as this login says, else as another one of it does.

    Of others those count first that found something there when they looked. In a file nobody else
    says anything.
    """
    at, mine = mounts.c, me(connection)
    on_this = at.machine == machine_of(connection)
    if not is_shared(connection):
        return and_(on_this, at.login == mine)
    other = m.mount.alias().c
    rank = [[case((of.login == mine, 0), (~of.missing, 1), else_=2), of.login]
            for of in (other, at)]  # fmt: skip
    sooner = tuple_(*rank[0]) < tuple_(*rank[1])
    same = other.root_id == at.root_id, other.machine == at.machine, other.login != at.login
    return and_(on_this, ~exists().where(*same, sooner))


def with_mount(connection: Connection, files: FromClause, mounts: FromClause) -> FromClause:
    """Put beside each file where its root is on this machine, if anywhere."""
    same = mounts.c.root_id == files.c.root_id
    return files.outerjoin(mounts, and_(same, here(connection, mounts)))


def lost(files: FromClause, mounts: FromClause) -> ColumnElement[bool]:
    """Mean files that are gone from where this machine has them."""
    return files.c.missing | func.coalesce(mounts.c.missing, False)


def elsewhere(mounts: FromClause) -> ColumnElement[bool]:
    """Mean files of roots that this machine does not have."""
    return mounts.c.path.is_(None)


# --- what is written --------------------------------------------------------------------------


def free_name(wanted: str, taken: Iterable[str]) -> str:
    """Give a name, with a number where another root has it."""
    used = {name.casefold() for name in taken}
    name, number = wanted, 1
    while name.casefold() in used:
        number += 1
        name = f"{wanted} {number}"
    return name


def name_of(folder: bytes) -> str:
    """Make a name that a person can read and type of a folder's last part."""
    last = _bare(folder).rpartition(b"/")[2].decode("utf-8", "replace").replace("\ufffd", "_")
    name = "".join(c if c.isprintable() else "_" for c in last).replace(":", "-").strip()
    return name.lstrip("-") or "disk"


def make_root(connection: Connection, folder: bytes, roots: Roots) -> int:
    """Make a root of a folder of this machine, named after it."""
    name = free_name(name_of(folder), [root.name for root in roots.all])
    row = insert(m.root).values(name=name, origin=folder, login=me(connection))
    root_id = connection.execute(row.returning(m.root.c.id)).scalar_one()
    put_mount(connection, root_id, folder)
    return int(root_id)


def put_mount(connection: Connection, root_id: int, folder: bytes) -> None:
    """Say where a root is on this machine."""
    _put(connection, [{"root_id": root_id, "path": folder, "missing": False}])


def set_away(connection: Connection, root_ids: Iterable[int], away: bool) -> None:
    """Note which roots have nothing where this machine has them; other machines are not asked."""
    _note(connection, root_ids, missing=away)


def set_scanned(connection: Connection, root_ids: Iterable[int], now: datetime) -> None:
    """Note that roots are scanned whole, and are to be by a later scan that names none."""
    _note(connection, root_ids, scanned_at_utc=now)


def _note(connection: Connection, root_ids: Iterable[int], **said: Any) -> None:
    """Note something of roots on this machine, for whoever asks: what others say is theirs."""
    at = m.mount.c
    query = select(at.root_id, at.path, at.missing, at.scanned_at_utc)
    asked = here(connection, m.mount), at.root_id.in_(list(root_ids))
    rows = connection.execute(query.where(*asked)).mappings()
    _put(connection, [dict(row) | said for row in rows])


def _put(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    if rows:
        mine = {"machine": machine_of(connection), "login": login(connection) or ""}
        upsert(connection, m.mount, [row | mine for row in rows], by=("root_id", *mine))


def maker(connection: Connection, root_id: int) -> str:
    """Give the login that made a root; empty where it came from a file."""
    return str(connection.execute(select(m.root.c.login).where(m.root.c.id == root_id)).scalar())


def rename_root(connection: Connection, root_id: int, name: str) -> None:
    """Give a root another name."""
    connection.execute(update(m.root).where(m.root.c.id == root_id).values(name=name))
