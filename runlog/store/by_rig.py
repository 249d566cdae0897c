"""Sums of each rig, and of all of them together."""

from dataclasses import dataclass

from sqlalchemy import Connection, func, select

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
    r, rig = m.run.c, m.rig.c
    sums = sums_of(connection, selection)
    own = select(sums.c.run_id, *added_up(sums, SUMS)).group_by(sums.c.run_id).subquery()
    # A rig has one run a night, so that these need not be sorted to be counted.
    dated = func.count(func.nullif(r.night, ""))
    query = (
        select(rig.name, dated, *added_up(own, SUMS))
        .join(m.run, r.id == own.c.run_id)
        .join(m.rig, rig.id == r.rig_id)
        .where(*of_runs(selection))
        .group_by(rig.id, rig.name)
        .order_by(rig.name, rig.id)
    )
    each = [RigSums(*row) for row in connection.execute(query)]
    if not each:
        return []
    nights = select(func.count(func.distinct(func.nullif(r.night, ""))))
    nights = nights.where(r.id.in_(select(own.c.run_id)), *of_runs(selection))
    added = (sum(getattr(one, name) for one in each) for name in SUMS)
    return [*each, RigSums(None, connection.execute(nights).scalar_one(), *added)]
