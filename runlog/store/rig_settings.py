"""What each rig's frames are graded by: appended, never changed; the last one is in force."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, func, insert, select, update

from runlog.store import models as m


@dataclass(frozen=True, slots=True)
class RigSettings:
    """What somebody said that a rig is to be graded by."""

    rig_id: int
    rig: str
    says: Mapping[str, Any]  # sections of the config file
    who: str
    at_utc: datetime


def _query() -> Select[Any]:
    s = m.rig_settings.c
    return (
        select(s.rig_id, m.rig.c.name, s.says, s.who, s.at_utc)
        .join(m.rig, m.rig.c.id == s.rig_id)
        .order_by(m.rig.c.name, s.id)
    )


def _last() -> Select[Any]:
    s = m.rig_settings.c
    return _query().where(s.id.in_(select(func.max(s.id)).group_by(s.rig_id)))


_LAST = _last()  # built once: asked several times whenever a run is settled


def history(connection: Connection) -> list[RigSettings]:
    """List all sets there ever were, by rig, oldest first."""
    return [RigSettings(*row) for row in connection.execute(_query())]


def in_force(connection: Connection) -> dict[int, RigSettings]:
    """Give the set in force of each rig that has one."""
    rows = connection.execute(_LAST)
    return {row.rig_id: RigSettings(*row) for row in rows}


def append(
    connection: Connection, rig_id: int, says: Mapping[str, Any], who: str, now: datetime
) -> None:
    """Put a set in force for a rig."""
    values = {"rig_id": rig_id, "says": dict(says), "who": who, "at_utc": now}
    connection.execute(insert(m.rig_settings).values(values))


def rigs(connection: Connection) -> dict[int, str]:
    """List all rigs by their number."""
    return {row.id: row.name for row in connection.execute(select(m.rig.c.id, m.rig.c.name))}


def touch_rig(connection: Connection, rig_id: int) -> None:
    """Mark all runs of a rig dirty, also those that somebody is settling right now."""
    r = m.run.c
    connection.execute(update(m.run).where(r.rig_id == rig_id).values(revision=r.revision + 1))
