"""What runs were worth before their grades or hours were to change, until that is told."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    case,
    delete,
    exists,
    func,
    insert,
    select,
)

from runlog.core.frame import Frame, Grade
from runlog.core.ledger.worth import Worth
from runlog.store import models as m
from runlog.store.loading import IN_LISTS
from runlog.store.run_hours import worth_of_runs
from runlog.store.where import lights

COUNTS = tuple(grade.value for grade in Grade)


def _worth() -> list[ColumnElement[Any]]:
    """Add up counted lights: frames by grade, and the time kept."""
    f = m.frame.c
    kept = f.grade == Grade.KEEP.value
    counts = [
        func.coalesce(func.sum(case((f.grade == grade, 1), else_=0)), 0).label(grade)
        for grade in COUNTS
    ]
    seconds = func.sum(case((kept, func.coalesce(f.exposure_s, 0.0)), else_=0.0))
    return [
        *counts,
        seconds.label("kept_s"),
    ]


def _now() -> Select[Any]:
    f = m.frame.c
    return select(f.run_id, *_worth()).where(*lights()).group_by(f.run_id)


def remember(connection: Connection) -> None:
    """Keep what every run is worth now, where that is not kept already."""
    worths = worth_of_runs(connection)
    now = _now().where(m.frame.c.run_id.not_in(select(m.run_before.c.run_id)))
    rows = [
        row._asdict() | {"effective_s": _effective_s(worths.get(row.run_id))}
        for row in connection.execute(now)
    ]
    if rows:
        connection.execute(insert(m.run_before), rows)


def _effective_s(worth: Worth | None) -> float | None:
    return None if worth is None else worth.effective_s


def remembered(connection: Connection) -> bool:
    """Tell whether something is to be told."""
    return bool(connection.execute(select(exists(select(m.run_before)))).scalar())


@dataclass(frozen=True, slots=True)
class WorthOfRun:
    """A run as it was and as it is: frames by grade, `kept_s`, `effective_s`."""

    run_id: int
    night: str
    rig: str
    before: Mapping[str, Any]
    now: Mapping[str, Any]
    worth: Worth  # as it is


def compared(connection: Connection) -> list[WorthOfRun]:
    """Give each run that is remembered as it was and as it is, by night."""
    r, now = m.run.c, {row.run_id: row._asdict() for row in connection.execute(_now())}
    worths = worth_of_runs(connection)
    query = (
        select(m.run_before, r.night, m.rig.c.name.label("rig"))
        .join(m.run, r.id == m.run_before.c.run_id)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .order_by(r.night, m.rig.c.name)
    )
    found = []
    for row in connection.execute(query):
        if row.run_id in now:
            worth = worths.get(row.run_id, Worth())
            after = now[row.run_id] | {"effective_s": worth.effective_s}
            found.append(WorthOfRun(row.run_id, row.night, row.rig, row._asdict(), after, worth))
    return found


def not_kept(connection: Connection, run_id: int) -> list[Frame]:
    """Load the counted lights of a run that are not kept."""
    f = m.frame.c
    query = IN_LISTS.query.where(f.run_id == run_id, f.grade != Grade.KEEP.value, *lights())
    return IN_LISTS.load(connection, query.order_by(*m.IN_TIME))


def forget(connection: Connection) -> None:
    """Drop what was told."""
    connection.execute(delete(m.run_before))
