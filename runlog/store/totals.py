"""Sums over runs: a few rows a night, whatever the number of frames."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, exists, func, or_, select

from runlog.core.frame import Grade
from runlog.core.ledger.totals import RunSum, Total
from runlog.store import models as m

SUMS = ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s", "effective_s")
Rows = Sequence[Row[*tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class Part:
    """The part of all nights that is asked about; None asks nothing."""

    target: str | None = None  # with its panels, when it is a mosaic
    since: str | None = None  # evening, ISO
    until: str | None = None  # the last evening, itself included
    rig: str | None = None  # part of a rig's name

    @property
    def is_all_time(self) -> bool:
        """Tell whether all nights and rigs are meant, whatever the target."""
        return self.since is None and self.until is None and self.rig is None

    @property
    def is_all(self) -> bool:
        """Tell whether nothing is asked for."""
        return self.is_all_time and self.target is None


ALL = Part()


def totals(connection: Connection, part: str | Part | None = None) -> list[Total]:
    """Add up the per-run sums for each target and filter, goals not yet looked at."""
    asked = part if isinstance(part, Part) else Part(target=part)
    s = m.run_sum.c
    query = (
        select(s.target, s.filter, *[func.sum(s[name]).label(name) for name in SUMS])
        .add_columns(func.count(func.distinct(func.nullif(m.run.c.night, ""))).label("nights"))
        .join(m.run, m.run.c.id == s.run_id)
        .group_by(s.target, s.filter)
        .order_by(s.target, s.filter)
    )
    return [Total(**row._mapping) for row in connection.execute(_within(query, asked))]


def by_night(connection: Connection, part: Part = ALL) -> Rows:
    """Add up the per-run sums for each night, target and filter, oldest first."""
    s, r = m.run_sum.c, m.run.c
    query = (
        select(r.night, s.target, s.filter, *[func.sum(s[name]).label(name) for name in SUMS])
        .join(m.run, r.id == s.run_id)
        .group_by(r.night, s.target, s.filter)
        .order_by(r.night, s.target, s.filter)
    )
    return connection.execute(_within(query, part)).all()


def _within(query: Select[Any], part: Part) -> Select[Any]:
    s, r = m.run_sum.c, m.run.c
    if part.target is not None:
        panels = s.target.startswith(f"{part.target} panel ", autoescape=True)
        query = query.where(or_(s.target == part.target, panels))
    if part.since is not None:
        query = query.where(r.night >= part.since)
    if part.until is not None:
        query = query.where(r.night <= part.until, r.night != "")
    if part.rig is not None:
        named = select(m.rig.c.id).where(
            func.lower(m.rig.c.name).contains(part.rig.lower(), autoescape=True)
        )
        query = query.where(r.rig_id.in_(named))
    return query


def lengths(connection: Connection, part: Part, doubtful: bool) -> Rows:
    """Count kept frames by target, filter and exposure time, for a table to publish."""
    f, r = m.frame.c, m.run.c
    grades = [Grade.KEEP.value, *([Grade.DOUBTFUL.value] if doubtful else [])]
    query = (
        select(f.target, f.filter, f.exposure_s, func.count().label("frames"))
        .add_columns(func.min(func.nullif(r.night, "")).label("first_night"))
        .add_columns(func.max(r.night).label("last_night"))
        .join(m.run, r.id == f.run_id)
        .where(f.kind == "light", f.counted, f.grade.in_(grades))
        .group_by(f.target, f.filter, f.exposure_s)
        .order_by(f.target, f.filter, f.exposure_s.desc())
    )
    if part.target is not None:
        panels = f.target.startswith(f"{part.target} panel ", autoescape=True)
        query = query.where(or_(f.target == part.target, panels))
    if part.since is not None:
        query = query.where(r.night >= part.since)
    if part.until is not None:
        query = query.where(r.night <= part.until, r.night != "")
    if part.rig is not None:
        query = query.join(m.rig, m.rig.c.id == r.rig_id).where(
            func.lower(m.rig.c.name).contains(part.rig.lower(), autoescape=True)
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


def runs_with_sums(connection: Connection) -> Sequence[Row[Any]]:
    """Load one row a run that has frames: night, rig, hours by grade; newest first."""
    s = m.run_sum.c
    query = (
        select(m.run.c.id, m.run.c.rig_id, m.run.c.night, m.rig.c.name.label("rig"))
        .add_columns(*[func.coalesce(func.sum(s[n]), 0).label(n) for n in SUMS[:-1]])
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .outerjoin(m.run_sum, s.run_id == m.run.c.id)
        .where(exists().where(m.frame.c.run_id == m.run.c.id))
        .group_by(m.run.c.id, m.run.c.rig_id, m.run.c.night, m.rig.c.name)
        .order_by(m.run.c.night.desc(), m.rig.c.name)
    )
    return connection.execute(query).all()


def night_sources(connection: Connection, run_id: int | None = None) -> dict[int, str]:
    """Say what each run's local noon was taken from; asks every frame, so only where it is shown.

    Frames may differ; the choice must not hang on the order of scanning.
    """
    f = m.frame.c
    query = select(f.run_id, func.min(f.night_from)).group_by(f.run_id)
    if run_id is not None:
        query = query.where(f.run_id == run_id)
    return {row[0]: row[1] for row in connection.execute(query).all()}
