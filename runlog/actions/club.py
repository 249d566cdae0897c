"""Who shares a database on a server: let in, given a rig, shut out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.rig_settings import named_rigs
from runlog.errors import RightsError, UsageError
from runlog.store import members as store
from runlog.store.engine import file_of, reading, write
from runlog.store.members import Member
from runlog.store.mine import is_keeper, is_shared, login
from runlog.store.permits import KEEPER, OBSERVER, is_login, owner
from runlog.store.rig_settings import rigs
from runlog.store.trouble import where


@dataclass(frozen=True, slots=True)
class Welcome:
    """A login to let in, as typed."""

    login: str
    role: str
    rigs: Sequence[str] = ()


def members(engine: Engine) -> list[Member]:
    """List who may do what."""
    with reading(engine) as connection:
        _refuse_unshared(connection)
        return store.members(connection)


def add(engine: Engine, typed: Welcome) -> Member:
    """Let a login in, or change what it may do."""

    def work(connection: Connection) -> Member:
        if not is_login(connection, typed.login):
            raise UsageError(
                f"The server knows no login {typed.login!r}; nothing was changed",
                cure=f"Whoever runs the server makes it first: createuser --pwprompt {typed.login}",
            )
        known = _member(connection, typed.login)
        _check_role(typed, known, owner(connection))
        chosen = _rig_ids(connection, typed.rigs)
        who = login(connection) or ""
        store.put_member(connection, typed.login, typed.role, chosen, who, datetime.now(UTC))
        found = _member(connection, typed.login)
        assert found is not None
        return found

    with reading(engine) as connection:
        _refuse_others(connection)
    return write(engine, work, f"{typed.login} is let in")


def _check_role(typed: Welcome, known: Member | None, owning: str) -> None:
    keeps_all = known is not None and known.keeps_all
    if typed.role == KEEPER and not keeps_all:
        raise UsageError(
            f"{typed.login} is no keeper; nothing was changed",
            cure="The keeper owns the tables. Whoever runs the server makes another: "
            f'psql -c \'GRANT "{owning}" TO "{typed.login}"\'',
        )
    if typed.role != KEEPER and keeps_all:
        raise UsageError(
            f"{typed.login} is a keeper: the tables are theirs; nothing was changed",
            cure=f"To make them keep a rig as well: --role {KEEPER} --rig NAME",
        )
    if typed.rigs and typed.role not in (OBSERVER, KEEPER):
        raise UsageError(
            f"A {typed.role} keeps no rig; nothing was changed", cure=f"Say --role {OBSERVER}"
        )


@dataclass(frozen=True, slots=True)
class Removed:
    """What is left of a login's rights, and which of its rigs are nobody's now."""

    left: Member | None
    nobodys: tuple[str, ...]


def remove(engine: Engine, name: str, of_rigs: Sequence[str]) -> Removed:
    """Take rigs from a login, or without any shut it out."""

    def work(connection: Connection) -> Removed:
        known = _member(connection, name)
        if known is None:
            raise UsageError(
                f"{name!r} is no member; nothing was changed", cure="Who is: runlog club"
            )
        if not of_rigs:
            store.drop_member(connection, name)
        elif not store.drop_rigs(connection, name, _rig_ids(connection, of_rigs)):
            raise UsageError(
                f"{name} keeps no such rig; nothing was changed",
                cure=f"Theirs: {'; '.join(known.rigs) or 'none'}",
            )
        left, nobodys = _member(connection, name), store.nobodys(connection)
        kept = left.rigs if left else ()
        return Removed(left, tuple(r for r in known.rigs if r in nobodys and r not in kept))

    with reading(engine) as connection:
        _refuse_others(connection)
    return write(engine, work, f"the rights of {name} are taken")


def _member(connection: Connection, name: str) -> Member | None:
    return next((one for one in store.members(connection) if one.login == name), None)


def _rig_ids(connection: Connection, names: Sequence[str]) -> set[int]:
    """Find rigs by parts of their names; each name must mean one."""
    known, found = rigs(connection), set[int]()
    for name in names:
        chosen = named_rigs(known, name)
        exact = {i: rig for i, rig in chosen.items() if rig == name}
        if len(exact or chosen) > 1:
            raise UsageError(f"{name!r} may mean several rigs", cure="; ".join(chosen.values()))
        found |= set(exact or chosen)
    return found


def _refuse_unshared(connection: Connection) -> None:
    if not is_shared(connection):
        raise UsageError(
            "A database that is a file has one person, and no members",
            str(file_of(connection.engine) or ""),
            "To share one there must be a server: runlog guide club",
        )


def _refuse_others(connection: Connection) -> None:
    _refuse_unshared(connection)
    if not is_keeper(connection):
        keepers = [one.login for one in store.members(connection) if one.keeps_all]
        raise RightsError(
            "Only the keeper lets people in or shuts them out; nothing was changed",
            where(connection.engine),
            f"Ask {' or '.join(keepers)}",
        )
