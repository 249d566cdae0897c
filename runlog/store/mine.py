"""What whoever is at work may write: all of a file; on a server, what the login's rights allow."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    String,
    and_,
    bindparam,
    exists,
    func,
    literal,
    literal_column,
    or_,
    select,
    true,
)

from runlog.errors import RightsError
from runlog.store import models as m
from runlog.store.parts import in_parts
from runlog.store.trouble import MAY_ONLY_READ, where

SERVER = "postgresql"
_ME: ColumnElement[str] = literal_column("session_user", String)
# Rows are withheld from everybody but the keeper, whose the tables are.
_KEEPER: ColumnElement[bool] = literal_column("NOT row_security_active('run'::regclass)")
_WRITER: ColumnElement[bool] = literal_column("has_table_privilege('run', 'INSERT')")


def is_shared(connection: Connection) -> bool:
    """Tell whether several people may be at this database, each with rights of their own."""
    return connection.dialect.name == SERVER


def login(connection: Connection) -> str | None:
    """Name the login of this connection; a file has none."""
    return connection.execute(select(_ME)).scalar_one() if is_shared(connection) else None


def me(connection: Connection) -> ColumnElement[str]:
    """Give the login that what is written here is signed with, as SQL; a file's is empty."""
    return _ME if is_shared(connection) else literal("")


def is_keeper(connection: Connection) -> bool:
    """Tell whether everything may be written here."""
    return not is_shared(connection) or bool(connection.execute(select(_KEEPER)).scalar())


def require_keeper(connection: Connection, words: str, cure: str) -> None:
    """Refuse what is the keeper's alone; the cure is one for those who may write at all."""
    if not is_keeper(connection):
        cure = cure if may_write(connection) else "Ask the keeper; who that is: runlog club"
        raise RightsError(f"{words}; nothing was changed", where(connection.engine), cure)


def require_writer(connection: Connection) -> None:
    """Refuse those who may only read, before they wait for what cannot be stored."""
    if not may_write(connection):
        raise RightsError(MAY_ONLY_READ[0], where(connection.engine), MAY_ONLY_READ[1])


def may_write(connection: Connection) -> bool:
    """Tell whether anything may be written here: not by a reader."""
    return not is_shared(connection) or bool(connection.execute(select(_WRITER)).scalar())


def _keeps(rig_id: ColumnElement[int]) -> ColumnElement[bool]:
    k = m.rig_member.c
    return exists().where(k.rig_id == rig_id, k.login == _ME)


def mine(connection: Connection, rig_id: ColumnElement[int]) -> list[ColumnElement[bool]]:
    """Give the conditions under which rows of a rig may be written; none where all may."""
    return [or_(_KEEPER, _keeps(rig_id))] if is_shared(connection) else []


def my_runs(connection: Connection) -> list[ColumnElement[bool]]:
    """Give the conditions under which a run may be written."""
    return mine(connection, m.run.c.rig_id)


def my_rigs(connection: Connection) -> frozenset[int]:
    """List the rigs whose rows may be written."""
    query = select(m.rig.c.id).where(*mine(connection, m.rig.c.id))
    return frozenset(connection.execute(query).scalars())


def own_rigs(connection: Connection) -> tuple[str, ...]:
    """Name the rigs this login is a member of, whatever else it may write; none in a file."""
    if not is_shared(connection):
        return ()
    query = select(m.rig.c.name).where(_keeps(m.rig.c.id)).order_by(m.rig.c.name)
    return tuple(connection.execute(query).scalars())


def my_frames(connection: Connection, frame_ids: Sequence[int]) -> set[int]:
    """Choose those of some frames whose rows may be written."""
    return _chosen(connection, frame_ids, my_runs(connection))


def my_files(connection: Connection) -> ColumnElement[bool]:
    """Mean files whose rows may be written: one that could not be read is of no rig yet."""
    if not is_shared(connection):
        return true()
    f, h = m.file.c, m.header.c
    frames = m.header.join(m.frame).join(m.run)
    own = exists().select_from(frames).where(h.id == f.header_id, _keeps(m.run.c.rig_id))
    return or_(_KEEPER, f.header_id.is_(None), own)


def _decides(rig_id: ColumnElement[int]) -> ColumnElement[bool]:
    """Mean rigs on which this login decides: its own; the keeper also on those of nobody's."""
    nobodys = ~exists().where(m.rig_member.c.rig_id == rig_id)
    return or_(_keeps(rig_id), and_(_KEEPER, nobodys))


def frames_i_decide_on(connection: Connection, frame_ids: Sequence[int]) -> set[int]:
    """Choose those of some frames on which a mark of this login's decides."""
    deciding = [_decides(m.run.c.rig_id)] if is_shared(connection) else []
    return _chosen(connection, frame_ids, deciding)


def rigs_i_decide_on(connection: Connection) -> frozenset[int]:
    """List the rigs that this login says the limits of, unless it names another's."""
    query = select(m.rig.c.id)
    if is_shared(connection):
        query = query.where(_decides(m.rig.c.id))
    return frozenset(connection.execute(query).scalars())


def frames_of_others(connection: Connection, frame_ids: Sequence[int]) -> dict[int, int]:
    """Count those of some frames that are of rigs that others decide on, by rig."""
    found = dict[int, int]()
    if not is_shared(connection):
        return found
    asked: Any = bindparam("some", expanding=True)
    query = select(m.run.c.rig_id, func.count()).join(m.frame, m.frame.c.run_id == m.run.c.id)
    query = query.where(m.frame.c.id.in_(asked), ~_decides(m.run.c.rig_id))
    for part in in_parts(frame_ids):
        rows = connection.execute(query.group_by(m.run.c.rig_id), {"some": part})
        for rig_id, count in rows:
            found[rig_id] = found.get(rig_id, 0) + count
    return found


def _chosen(
    connection: Connection, frame_ids: Sequence[int], which: Sequence[ColumnElement[bool]]
) -> set[int]:
    if not which:
        return set(frame_ids)
    f, found = m.frame.c, set[int]()
    asked: Any = bindparam("some", expanding=True)
    query = select(f.id).join(m.run, m.run.c.id == f.run_id).where(f.id.in_(asked), *which)
    for part in in_parts(frame_ids):
        found |= set(connection.execute(query, {"some": part}).scalars())
    return found
