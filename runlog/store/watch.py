"""What a watch keeps beside the frames: first looks, the state of its warnings, what it told."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, func, insert, select

from runlog.core.frame import Kind
from runlog.store import models as m
from runlog.store.engine import upsert


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What a watch said of a frame when it came."""

    frame_id: int
    at_utc: datetime
    grade: str
    faults: Sequence[str]


@dataclass(frozen=True, slots=True)
class Notice:
    """A warning, or the word that what was warned of is over."""

    run_id: int | None  # None: of the machine, not of a rig
    at_utc: datetime
    kind: str  # "alarm", "cleared" or "overdue"
    cause: str
    words: str
    since_utc: datetime | None = None
    frames: int | None = None


def put_looks(connection: Connection, looks: Iterable[FirstLook]) -> None:
    """Keep first looks."""
    rows = [asdict(look) | {"faults": list(look.faults)} for look in looks]
    if rows:
        upsert(connection, m.watch_look, rows, ["frame_id"])


def looks_of_run(connection: Connection, run_id: int) -> dict[int, FirstLook]:
    """Load the first looks of a run's frames, by frame."""
    look = m.watch_look
    query = select(look).join(m.frame).where(m.frame.c.run_id == run_id)
    return {row.frame_id: FirstLook(*row) for row in connection.execute(query)}


def state_of(connection: Connection, run_id: int) -> Mapping[str, Any]:
    """Load how far the warnings of a run are."""
    query = select(m.watch_state.c.says).where(m.watch_state.c.run_id == run_id)
    return connection.execute(query).scalar_one_or_none() or {}


def put_state(connection: Connection, run_id: int, says: Mapping[str, Any]) -> None:
    """Keep how far the warnings of a run are."""
    upsert(connection, m.watch_state, [{"run_id": run_id, "says": dict(says)}], ["run_id"])


def put_told(connection: Connection, told: Iterable[Notice]) -> None:
    """Append what is told."""
    rows = [asdict(one) for one in told]
    if rows:
        connection.execute(insert(m.watch_told), rows)


def standing(connection: Connection, run_id: int | None) -> list[Notice]:
    """List what a run, or the machine, was warned of and what is not over, oldest first."""
    t = m.watch_told.c
    mine = t.run_id.is_(None) if run_id is None else t.run_id == run_id
    last = select(func.max(t.id)).where(mine).group_by(t.cause)
    query = select(m.watch_told).where(t.id.in_(last), t.kind != "cleared").order_by(t.id)
    return [_told(row) for row in connection.execute(query)]


def runs_between(connection: Connection, start: datetime, end: datetime) -> list[int]:
    """List the runs with a light that was begun between two moments."""
    f = m.frame.c
    lights = and_(f.taken_at_utc.between(start, end), f.header_kind == Kind.LIGHT.value)
    query = select(f.run_id).where(lights).distinct().order_by(f.run_id)
    return list(connection.execute(query).scalars())


def _told(row: Any) -> Notice:
    values = dict(row._mapping)
    del values["id"]
    return Notice(**values)
