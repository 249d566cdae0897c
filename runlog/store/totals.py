"""Sums over runs: a few rows a night, whatever the number of frames; or over the frames chosen."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    Connection,
    FromClause,
    Integer,
    Row,
    Select,
    and_,
    case,
    cast,
    exists,
    func,
    select,
)

from runlog.core.frame import Grade, Lacks
from runlog.core.ledger.totals import GRADE_SUM, LACK_SUM, NOTHING, Sums, Total
from runlog.core.ledger.worth import Part, References, Worth, worth_of
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import models as m
from runlog.store.depth import references
from runlog.store.where import lights, of_groups, of_runs, where

SUMS = ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s")
LACKING = tuple(LACK_SUM.values())
DEPTHS = (
    "kept_frames",
    "kept_known_s",
    "kept_light_s_e2_adu2",
    "kept_point_s2_adu2",
    "kept_extended_s2_arcsec2_adu2",
)
Rows = Sequence[Row[*tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class NightSums(Sums):
    """What one night holds of a target and filter, over all rigs."""

    night: str = ""
    effective_s: float | None = None
    worth: Worth = NOTHING


def totals(
    connection: Connection,
    selection: Selection = EVERYTHING,
    against: References | None = None,
    *,
    with_worth: bool = True,
    targets: Collection[str] | None = None,
) -> list[Total]:
    """Add up the frames chosen for each target and filter, goals not yet looked at.

    `against` are all references of today, for those who ask more than once; `targets` are those
    that are asked about, where they are not all.
    """
    sums = sums_of(connection, selection)
    s = sums.c
    query = (
        select(s.target, s.filter, *added_up(sums))
        .add_columns(func.count(func.distinct(func.nullif(m.run.c.night, ""))).label("nights"))
        .join(m.run, m.run.c.id == s.run_id)
        .group_by(s.target, s.filter)
        .order_by(s.target, s.filter)
    )
    if targets is not None:
        query = query.where(s.target.in_(targets))
    rows = connection.execute(query).all()
    by, names = ("target", "filter"), ("target", "filter", *SUMS, "nights")
    worth = _worth(connection, selection, rows, by, against) if with_worth else {}
    found = (worth.get((row.target, row.filter), NOTHING) for row in rows)
    return [
        Total(**_plain(row, names), effective_s=own.effective_s, worth=own)
        for row, own in zip(rows, found, strict=True)
    ]


def targets_of(connection: Connection, run_ids: Sequence[int]) -> list[str]:
    """List what the light frames of some runs are of."""
    sums = m.run_sum.c
    query = select(sums.target).distinct().where(sums.run_id.in_(run_ids))
    return list(connection.execute(query.order_by(sums.target)).scalars())


def by_night(
    connection: Connection, selection: Selection = EVERYTHING, *, with_worth: bool = True
) -> list[NightSums]:
    """Add up the frames chosen for each night, target and filter, oldest first."""
    sums, r = sums_of(connection, selection), m.run.c
    s = sums.c
    query = (
        select(r.night, s.target, s.filter, *added_up(sums))
        .join(m.run, r.id == s.run_id)
        .group_by(r.night, s.target, s.filter)
        .order_by(r.night, s.target, s.filter)
    )
    rows = connection.execute(query).all()
    by, names = ("night", "target", "filter"), ("night", "target", "filter", *SUMS)
    worth = _worth(connection, selection, rows, by) if with_worth else {}
    found = (worth.get((row.night, row.target, row.filter), NOTHING) for row in rows)
    return [
        NightSums(**_plain(row, names), effective_s=own.effective_s, worth=own)
        for row, own in zip(rows, found, strict=True)
    ]


def _plain(row: Row[Any], names: Iterable[str]) -> dict[str, Any]:
    values = row._mapping
    return {name: values[name] for name in names}


def added_up(sums: FromClause, names: Iterable[str] = (*SUMS, *LACKING)) -> list[Any]:
    """Add up columns of sums, each under its own name and of its own type.

    PostgreSQL adds up whole numbers as longer ones, and those as decimals.
    """
    columns = [sums.c[name] for name in names]
    return [cast(func.sum(c), c.type).label(c.name) for c in columns]


# --- effective time -------------------------------------------------------------------------


def _worth(
    connection: Connection,
    selection: Selection,
    rows: Rows,
    by: Sequence[str],
    against: References | None = None,
) -> Mapping[tuple[Any, ...], Worth]:
    """Divide the depth of the frames chosen by the references of today, for each row of sums."""
    parts: dict[tuple[Any, ...], list[Part]] = {}
    for night, *values in connection.execute(_parts(connection, selection, "night" in by)):
        part = Part(*values)
        key = (part.target, part.filter)
        parts.setdefault((night, *key) if "night" in by else key, []).append(part)
    if against is None:
        alike = Selection(target=selection.target, filter=selection.filter)
        against = references(connection, *of_groups(alike, m.run_light))
    at, first = len(by), len(by) + len(SUMS)
    return {
        key: worth_of(parts.get(key, ()), against, _lacking(row[first:]))
        for row in rows
        for key in [tuple(row[:at])]
    }


def _lacking(counts: Sequence[int]) -> dict[Lacks, int]:
    return dict(zip(LACK_SUM, counts, strict=False)) if any(counts[: len(LACK_SUM)]) else {}


def _parts(connection: Connection, selection: Selection, nightly: bool) -> Select[Any]:
    """Add up depth by rig, form, target, filter and base of light; by night where that is asked."""
    deep, r = _depths(connection, selection), m.run.c
    night = r.night if nightly else func.min(r.night)
    d = deep.c
    keys = (r.rig_id, r.depth_form, d.target, d.filter, d.base)
    return (
        select(night, *keys, *[func.sum(d[name]) for name in DEPTHS])
        .join(m.run, r.id == d.run_id)
        .group_by(*keys, *([r.night] if nightly else []))
    )


def _depths(connection: Connection, selection: Selection) -> FromClause:
    """Give the stored sums of depth where they serve, else those of the kept frames chosen."""
    if selection.of_whole_groups:
        return select(m.run_light).where(*of_groups(selection, m.run_light)).subquery()
    f = m.frame.c
    length = func.coalesce(f.exposure_s, 0.0)
    summed = (
        cast(func.count(), Integer),
        func.sum(length),
        func.sum(length * f.light_e_adu * f.light_e_adu),
        func.sum(f.point_s2_adu2),
        func.sum(f.extended_s2_arcsec2_adu2),
    )
    return (
        select(f.run_id, f.target, f.filter, f.depth_base.label("base"))
        .add_columns(*[one.label(name) for one, name in zip(summed, DEPTHS, strict=True)])
        .where(*lights(), f.grade == Grade.KEEP.value, f.depth_base.is_not(None))
        .where(*where(connection, selection))
        .group_by(f.run_id, f.target, f.filter, f.depth_base)
        .subquery()
    )


# --- sums -----------------------------------------------------------------------------------


def sums_of(connection: Connection, selection: Selection) -> FromClause:
    """Give the stored sums where they serve, else those of the counted lights that are chosen."""
    if selection.of_whole_groups:
        return select(m.run_sum).where(*of_groups(selection, m.run_sum)).subquery()
    f = m.frame.c
    length = func.coalesce(f.exposure_s, 0.0)
    lacking = [
        cast(func.sum(case((_lacks(why), 1), else_=0)), Integer).label(name)
        for why, name in LACK_SUM.items()
    ]
    frames = cast(func.count(), Integer).label("frames")  # PostgreSQL adds up counts as decimals
    return (
        select(f.run_id, f.target, f.filter, frames)
        .add_columns(func.sum(length).label("logged_s"), *seconds_by_grade(), *lacking)
        .where(*lights(), *where(connection, selection))
        .group_by(f.run_id, f.target, f.filter)
        .subquery()
    )


def seconds_by_grade() -> list[Any]:
    """Add up exposure by grade, named as the sums of a run are."""
    f = m.frame.c
    length = func.coalesce(f.exposure_s, 0.0)
    return [
        func.sum(case((f.grade == grade.value, length), else_=0.0)).label(name)
        for grade, name in GRADE_SUM.items()
    ]


def _lacks(why: Lacks) -> Any:
    f = m.frame.c
    return and_(f.grade == Grade.KEEP.value, f.depth_lacks == why.value)


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


def nights_seen(connection: Connection) -> list[str]:
    """List the nights with counted light frames, newest first."""
    r, sums = m.run.c, m.run_sum.c
    query = select(r.night).distinct().join(m.run_sum, sums.run_id == r.id)
    found = query.where(r.night != "", sums.frames > 0).order_by(r.night.desc())
    return list(connection.execute(found).scalars())


def runs_with_sums(connection: Connection, selection: Selection = EVERYTHING) -> Rows:
    """Load one row a run that has frames: night, rig, hours by grade; newest first.

    Where more than a night or a rig is asked for, only runs with light frames that fit.
    """
    sums, r = sums_of(connection, selection), m.run.c
    whole = selection.of_whole_runs
    query = (
        select(r.id, r.rig_id, r.night, m.rig.c.name.label("rig"))
        .add_columns(*[func.coalesce(func.sum(sums.c[n]), 0).label(n) for n in SUMS])
        .join(m.rig, m.rig.c.id == r.rig_id)
        .join(sums, sums.c.run_id == r.id, isouter=whole)
        .where(exists().where(m.frame.c.run_id == r.id), *of_runs(selection))
        .group_by(r.id, r.rig_id, r.night, m.rig.c.name)
        .order_by(r.night.desc(), m.rig.c.name)
    )
    return connection.execute(query).all()


def last_night(connection: Connection, selection: Selection) -> str | None:
    """Find the last night with light frames that fit; None where none is dated."""
    sums, r = sums_of(connection, selection), m.run.c
    query = select(func.max(r.night)).join(sums, sums.c.run_id == r.id)
    return connection.execute(query.where(*of_runs(selection))).scalar() or None


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
