"""Who shares a database on a server: logins, what each may do, and the rigs each keeps."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, insert, select

from runlog.errors import NotYoursError
from runlog.store import models as m
from runlog.store.engine import insert_into, upsert
from runlog.store.mine import is_keeper, is_shared, login, my_frames, my_rigs
from runlog.store.permits import KEEPER, NOTHING, give, granted, is_login, is_role, take

# Whose the tables are, and who was granted that role, by which roles of their own.
_KEEPERS = """
SELECT r.rolname, ARRAY(
    SELECT g.rolname::text FROM pg_auth_members a JOIN pg_roles g ON g.oid = a.roleid
    WHERE a.member = r.oid AND pg_has_role(g.oid, t.tableowner, 'USAGE') ORDER BY 1
) FROM pg_roles r
JOIN pg_tables t ON t.schemaname = current_schema() AND t.tablename = 'alembic_version'
WHERE r.rolname = t.tableowner
OR (r.rolcanlogin AND NOT r.rolsuper AND pg_has_role(r.oid, t.tableowner, 'USAGE'))
"""


@dataclass(frozen=True, slots=True)
class Member:
    """One login and what it may do."""

    login: str
    role: str
    rigs: tuple[str, ...]
    known: bool  # to the server
    let_in: bool  # as a member or keeper; else it only was left rights, or rigs
    through: tuple[str, ...] = ()  # the roles that make it a keeper, beside the tables' own

    @property
    def keeps_all(self) -> bool:
        """Tell whether everything is theirs to change."""
        return self.role == KEEPER


def members(connection: Connection) -> list[Member]:
    """List who may do what, by login; also who was never let in, or shut out, and has rights."""
    keepers = {name: tuple(through) for name, through in connection.exec_driver_sql(_KEEPERS)}
    rows = connection.execute(select(m.member.c.login, m.member.c.role)).all()
    rigs = _rigs(connection)
    let_in = {row.login: row.role for row in rows if row.role != KEEPER}
    let_in |= dict.fromkeys(keepers, KEEPER)
    # Whose keeping ended on the server may have rows and no rights.
    roles = dict.fromkeys([*rigs, *(row.login for row in rows)], NOTHING)
    roles |= granted(connection) | let_in
    return [
        Member(
            name,
            role,
            tuple(rigs.get(name, ())),
            is_login(connection, name),
            name in let_in,
            keepers.get(name, ()),
        )
        for name, role in sorted(roles.items())
    ]


def _rigs(connection: Connection) -> dict[str, list[str]]:
    k, found = m.rig_member.c, dict[str, list[str]]()
    query = select(k.login, m.rig.c.name).join(m.rig, m.rig.c.id == k.rig_id)
    for name, rig in connection.execute(query.order_by(m.rig.c.name)):
        found.setdefault(name, []).append(rig)
    return found


def put_member(
    connection: Connection, name: str, role: str, rig_ids: Iterable[int], who: str, now: datetime
) -> None:
    """Let a login in, or change what it may do; the rigs come to those it keeps already."""
    row = {"login": name, "role": role, "who": who, "at_utc": now}
    upsert(connection, m.member, [row], ["login"])
    rows = [{"rig_id": rig_id, "login": name} for rig_id in sorted(rig_ids)]
    if rows:
        given = insert_into(connection.dialect.name, m.rig_member)
        connection.execute(given.on_conflict_do_nothing(), rows)
    if is_login(connection, name):
        give(connection, name, role)


def drop_rigs(connection: Connection, name: str, rig_ids: Iterable[int]) -> int:
    """Take rigs from a login; gives how many it kept."""
    k = m.rig_member.c
    which = (k.login == name, k.rig_id.in_(sorted(rig_ids)))
    return connection.execute(delete(m.rig_member).where(*which)).rowcount


def drop_member(connection: Connection, name: str) -> None:
    """Shut a login out; what it stored and said stays. A keeper's role is the server's to take."""
    connection.execute(delete(m.rig_member).where(m.rig_member.c.login == name))
    connection.execute(delete(m.member).where(m.member.c.login == name))
    if is_role(connection, name):
        take(connection, name)


def claim(connection: Connection, rig_id: int) -> None:
    """Make a rig that was never seen that of the observer who brings its first frames.

    The keeper's new rigs are nobody's until somebody is made their member.
    """
    if is_shared(connection) and not is_keeper(connection):
        row = {"rig_id": rig_id, "login": login(connection)}
        connection.execute(insert(m.rig_member).values(row))


def refuse_others_rig(connection: Connection, rig_id: int, name: str) -> None:
    """Refuse to store what belongs to a rig that others keep."""
    if not is_shared(connection) or rig_id in my_rigs(connection):
        return
    kept = f"The rig is {whose(connection, rig_id, name)}"
    raise NotYoursError(
        f"{kept}, not {login(connection)}" if keepers_of(connection, rig_id) else kept,
        cure=f"The keeper can change that: runlog club add {login(connection)} --role observer "
        "--rig NAME",
    )


def refuse_others_frame(connection: Connection, frame_id: int) -> None:
    """Refuse to store another file of a frame that is of a rig that others keep."""
    if my_frames(connection, [frame_id]):
        return
    query = select(m.rig.c.id, m.rig.c.name).select_from(m.frame.join(m.run).join(m.rig))
    refuse_others_rig(connection, *connection.execute(query.where(m.frame.c.id == frame_id)).one())


def nobodys(connection: Connection) -> set[str]:
    """Name the rigs that were given to nobody."""
    given = select(m.rig_member.c.rig_id)
    return set(connection.execute(select(m.rig.c.name).where(m.rig.c.id.not_in(given))).scalars())


def require_a_rig(connection: Connection) -> None:
    """Refuse to change all rigs of one's own where none is."""
    if not my_rigs(connection):
        raise NotYoursError(
            "No rig is yours here; nothing was changed",
            cure="A rig that is new here is yours once you scan its frames; one that others keep "
            "the keeper can share with you: "
            f"runlog club add {login(connection)} --role observer --rig NAME",
        )


def keepers_of(connection: Connection, rig_id: int) -> list[str]:
    """List the logins that keep a rig."""
    k = m.rig_member.c
    query = select(k.login).where(k.rig_id == rig_id).order_by(k.login)
    return list(connection.execute(query).scalars())


def whose(connection: Connection, rig_id: int, name: str) -> str:
    """Say who keeps a rig, behind its name."""
    keepers = keepers_of(connection, rig_id)
    if not keepers:
        return f"{name}, which nobody was given"
    return f"{name}, which {' and '.join(keepers)} keep{'s' * (len(keepers) == 1)}"
