"""Sums over runs: a few rows a night, whatever the number of frames; or over the frames chosen."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, FromClause, Integer, Row, case, cast, exists, func, select

from runlog.core.frame import Grade
from runlog.core.ledger.totals import GRADE_SUM, RunSum, Total
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import models as m
from runlog.store.where import lights, of_groups, of_runs, where

SUMS = ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s", "effective_s")
Rows = Sequence[Row[*tuple[Any, ...]]]


def totals(connection: Connection, selection: Selection = EVERYTHING) -> list[Total]:
    """Add up the frames chosen for each target and filter, goals not yet looked at."""
    sums = _sums(connection, selection)
    s = sums.c
    query = (
        select(s.target, s.filter, *_added(sums))
        .add_columns(func.count(func.distinct(func.nullif(m.run.c.night, ""))).label("nights"))
        .join(m.run, m.run.c.id == s.run_id)
        .group_by(s.target, s.filter)
        .order_by(s.target, s.filter)
    )
    return [Total(**row._mapping) for row in connection.execute(query)]


def by_night(connection: Connection, selection: Selection = EVERYTHING) -> Rows:
    """Add up the frames chosen for each night, target and filter, oldest first."""
    sums, r = _sums(connection, selection), m.run.c
    s = sums.c
    query = (
        select(r.night, s.target, s.filter, *_added(sums))
        .join(m.run, r.id == s.run_id)
        .group_by(r.night, s.target, s.filter)
        .order_by(r.night, s.target, s.filter)
    )
    return connection.execute(query).all()


def _added(sums: FromClause) -> list[Any]:
    return [func.sum(sums.c[name]).label(name) for name in SUMS]


def _sums(connection: Connection, selection: Selection) -> FromClause:
    """Give the stored sums where they serve, else those of the counted lights that are chosen."""
    if selection.of_whole_groups:
        return select(m.run_sum).where(*of_groups(selection, m.run_sum)).subquery()
    f = m.frame.c
    length = func.coalesce(f.exposure_s, 0.0)
    by_grade = [
        func.sum(case((f.grade == grade.value, length), else_=0.0)).label(name)
        for grade, name in GRADE_SUM.items()
    ]
    frames = cast(func.count(), Integer).label("frames")  # PostgreSQL adds up counts as decimals
    deep = func.sum(case((f.grade == Grade.KEEP.value, f.effective_s))).label("effective_s")
    return (
        select(f.run_id, f.target, f.filter, frames)
        .add_columns(func.sum(length).label("logged_s"), *by_grade, deep)
        .where(*lights(), *where(connection, selection))
        .group_by(f.run_id, f.target, f.filter)
        .subquery()
    )


def lengths(connection: Connection, selection: Selection, doubtful: bool) -> Rows:
    """Count kept frames by target, filter and exposure time, for a table to publish."""
    f, r = m.frame.c, m.run.c
    grades = [Grade.KEEP.value, *([Grade.DOUBTFUL.value] if doubtful else [])]
    query = (
        select(f.target, f.filter, f.exposure_s, func.count().label("frames"))
        .add_columns(func.min(func.nullif(r.night, "")).label("first_night"))
        .add_columns(func.max(r.night).label("last_night"))
        .join(m.run, r.id == f.run_id)
        .where(*lights(), f.grade.in_(grades), *where(connection, selection))
        .group_by(f.target, f.filter, f.exposure_s)
        .order_by(f.target, f.filter, f.exposure_s.desc())
    )
    return connection.execute(query).all()


def filters_seen(connection: Connection) -> set[str]:
    """List the filters of counted light frames."""
    return set(connection.execute(select(m.run_sum.c.filter).distinct()).scalars())


def sums_of_run(connection: Connection, run_id: int) -> list[RunSum]:
    """Load what one run added."""
    s = m.run_sum.c
    query = select(s.target, s.filter, *[s[name] for name in SUMS]).where(s.run_id == run_id)
    return [
        RunSum(**row._mapping) for row in connection.execute(query.order_by(s.target, s.filter))
    ]


def runs_with_sums(connection: Connection, selection: Selection = EVERYTHING) -> Rows:
    """Load one row a run that has frames: night, rig, hours by grade; newest first.

    Where more than a night or a rig is asked for, only runs with light frames that fit.
    """
    sums, r = _sums(connection, selection), m.run.c
    whole = selection.of_whole_runs
    query = (
        select(r.id, r.rig_id, r.night, m.rig.c.name.label("rig"))
        .add_columns(*[func.coalesce(func.sum(sums.c[n]), 0).label(n) for n in SUMS[:-1]])
        .join(m.rig, m.rig.c.id == r.rig_id)
        .join(sums, sums.c.run_id == r.id, isouter=whole)
        .where(exists().where(m.frame.c.run_id == r.id), *of_runs(selection))
        .group_by(r.id, r.rig_id, r.night, m.rig.c.name)
        .order_by(r.night.desc(), m.rig.c.name)
    )
    return connection.execute(query).all()


def night_sources(connection: Connection, run_id: int | None = None) -> dict[int, str]:
    """Say what each run's local noon was taken from.

    Frames may differ; the choice must not hang on the order of scanning.
    """
    f, r = m.frame.c, m.run.c
    first = select(func.min(f.night_from)).where(f.run_id == r.id).scalar_subquery()
    query = select(r.id, first)
    if run_id is not None:
        query = query.where(r.id == run_id)
    return {row[0]: row[1] for row in connection.execute(query) if row[1] is not None}
