"""Sums over runs: a few rows a night, whatever the number of frames."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, exists, func, select

from runlog.core.totals import RunSum, Total
from runlog.store import models as m

SUMS = ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s", "effective_s")


def totals(connection: Connection, target: str | None = None) -> list[Total]:
    """Add up the per-run sums for each target and filter, goals not yet looked at."""
    s = m.run_sum.c
    query = (
        select(s.target, s.filter, *[func.sum(s[name]).label(name) for name in SUMS])
        .add_columns(func.count(func.distinct(func.nullif(m.run.c.night, ""))).label("nights"))
        .join(m.run, m.run.c.id == s.run_id)
        .group_by(s.target, s.filter)
        .order_by(s.target, s.filter)
    )
    if target is not None:
        query = query.where(s.target == target)
    return [Total(**row._mapping) for row in connection.execute(query)]


def sums_of_run(connection: Connection, run_id: int) -> list[RunSum]:
    """Load what one run added."""
    s = m.run_sum.c
    query = select(s.target, s.filter, *[s[name] for name in SUMS]).where(s.run_id == run_id)
    return [
        RunSum(**row._mapping) for row in connection.execute(query.order_by(s.target, s.filter))
    ]


def runs_with_sums(connection: Connection) -> Sequence[Row[Any]]:
    """Load one row a run that has frames: night, rig, hours by grade; newest first."""
    s = m.run_sum.c
    night_from = (  # frames may differ; the choice must not hang on the order of scanning
        select(func.min(m.frame.c.night_from))
        .where(m.frame.c.run_id == m.run.c.id)
        .scalar_subquery()
    )
    query = (
        select(m.run.c.id, m.run.c.night, m.rig.c.name.label("rig"))
        .add_columns(night_from.label("night_from"))
        .add_columns(*[func.coalesce(func.sum(s[n]), 0).label(n) for n in SUMS[:-1]])
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .outerjoin(m.run_sum, s.run_id == m.run.c.id)
        .where(exists().where(m.frame.c.run_id == m.run.c.id))
        .group_by(m.run.c.id, m.run.c.night, m.rig.c.name)
        .order_by(m.run.c.night.desc(), m.rig.c.name)
    )
    return connection.execute(query).all()
