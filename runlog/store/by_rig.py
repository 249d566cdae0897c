"""Sums of each rig, and of all of them together."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, func, select

from runlog.core.selection import EVERYTHING, Selection
from runlog.store import models as m
from runlog.store.totals import SUMS, added_up, sums_of
from runlog.store.where import of_runs


@dataclass(frozen=True, slots=True)
class RigSums:
    """What the frames chosen add up to on one rig, or on all."""

    rig: str | None  # None: all rigs
    nights: int  # dated ones; a night of two rigs is one night of all
    frames: int
    logged_s: float
    kept_s: float
    doubtful_s: float
    rejected_s: float
    ungraded_s: float


def by_rig(connection: Connection, selection: Selection = EVERYTHING) -> list[RigSums]:
    """Add up the frames chosen rig by rig, by name; last, of all of them, where there are any."""
    sums, r, rig = sums_of(connection, selection), m.run.c, m.rig.c
    nights = func.count(func.distinct(func.nullif(r.night, ""))).label("nights")
    query = select(nights, *added_up(sums)).join(m.run, r.id == sums.c.run_id)
    query = query.where(*of_runs(selection))
    each = query.add_columns(rig.name).join(m.rig, rig.id == r.rig_id)
    rows = connection.execute(each.group_by(rig.id, rig.name).order_by(rig.name, rig.id)).all()
    if not rows:
        return []
    return [*(_of(row, row.name) for row in rows), _of(connection.execute(query).one(), None)]


def _of(row: Row[*tuple[Any, ...]], rig: str | None) -> RigSums:
    return RigSums(rig, *(row._mapping[name] for name in ("nights", *SUMS)))
