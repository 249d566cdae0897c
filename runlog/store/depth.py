"""Depth reached: what runs offer as references, the sums to divide, and frames' bases of light."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    Boolean,
    Column,
    ColumnElement,
    Connection,
    Select,
    bindparam,
    case,
    cast,
    delete,
    false,
    func,
    insert,
    null,
    or_,
    select,
)

from runlog.core.frame import Frame, Kind
from runlog.core.ledger.depth_reference import FEW_NIGHTS, NightValue, Reference, reference_at
from runlog.core.ledger.worth import References
from runlog.store import models as m
from runlog.store.engine import insert_into

if TYPE_CHECKING:  # what reckons them takes long to import
    from runlog.core.ledger.run_depth import RunDepth, RunLight

Pair = tuple[str, str]  # target and filter
Forms = Mapping[int, tuple[int, str]]
Key = tuple[int, str]  # a rig, and a base or filter
Group = tuple[int, str, bool]  # the same, and whether without the Moon
Ties = Mapping[tuple[str, str], float | None]

# --- written when a run settles -------------------------------------------------------------

_DROP_DEPTHS = delete(m.run_depth).where(m.run_depth.c.run_id == bindparam("run"))
_DROP_LIGHTS = delete(m.run_light).where(m.run_light.c.run_id == bindparam("run"))


def put_run(
    connection: Connection, run_id: int, depths: "Sequence[RunDepth]", lights: "Sequence[RunLight]"
) -> None:
    """Store what a run says of depth, in place of what it said before."""
    connection.execute(_DROP_DEPTHS, {"run": run_id})
    connection.execute(_DROP_LIGHTS, {"run": run_id})
    if depths:
        connection.execute(insert(m.run_depth), [asdict(d) | {"run_id": run_id} for d in depths])
    if lights:
        connection.execute(insert(m.run_light), [asdict(s) | {"run_id": run_id} for s in lights])


def put_ties(connection: Connection, ties: Ties) -> None:
    """Remember how the light of references compares; it is measured once."""
    for (base, other), light in sorted(ties.items()):
        row = insert_into(connection.dialect.name, m.light_tie).values(
            base=base, other=other, light=light
        )
        connection.execute(row.on_conflict_do_nothing())


def drop_ties(connection: Connection, content_key: str) -> None:
    """Forget how the light of a frame compares that was measured again."""
    t = m.light_tie.c
    connection.execute(
        delete(m.light_tie).where(or_(t.base == content_key, t.other == content_key))
    )


# --- bases of light -------------------------------------------------------------------------


def ties(connection: Connection) -> dict[tuple[str, str], float | None]:
    """Load how the light of references compares, as far as it was measured."""
    t = m.light_tie.c
    rows = connection.execute(select(t.base, t.other, t.light))
    return {(base, other): light for base, other, light in rows}


def stored_tie(connection: Connection, base: str, key: str) -> float | None:
    """Load how the light of one reference compares with that of its base, if it was measured."""
    found = connection.execute(_TIE, {"its": base, "own": key})
    return found.scalar_one_or_none()


_TIE = select(m.light_tie.c.light).where(
    m.light_tie.c.base == bindparam("its"), m.light_tie.c.other == bindparam("own")
)


def bases_shown(connection: Connection, rig_id: int) -> Sequence[Any]:
    """Count a rig's measured lights by target, filter, binning, reference and stored base."""
    f = m.frame.c
    columns = (f.target, f.filter, f.binning_x, f.matched_to, f.depth_base)
    query = (
        select(*columns, func.count().label("frames"))
        .join(m.run, m.run.c.id == f.run_id)
        .where(m.run.c.rig_id == rig_id, f.header_kind == Kind.LIGHT.value)
        .where(f.measured_with.is_not(None), f.matched_to.is_not(None))
        .group_by(*columns)
    )
    return connection.execute(query).all()


def runs_of_base(
    connection: Connection, rig_id: int, pair: Pair, reference: str, base: str
) -> set[int]:
    """Find the runs with frames of a reference whose light is counted in a base."""
    f = m.frame.c
    query = (
        select(f.run_id)
        .distinct()
        .join(m.run, m.run.c.id == f.run_id)
        .where(m.run.c.rig_id == rig_id, f.target == pair[0], f.filter == pair[1])
        .where(f.matched_to == reference, f.depth_base == base)
    )
    return set(connection.execute(query).scalars())


# --- references, found when they are asked for ----------------------------------------------


def references(connection: Connection, *which: ColumnElement[bool]) -> References:
    """Find the references of today from what runs say: a few rows a night.

    `which` narrows the rows of light where not all targets are asked about.
    """
    return References(_lights(connection, which), *_skies(connection))


def references_of_frames(connection: Connection) -> References:
    """Find those of today, and by which rig and form the frames of each run are divided."""
    return replace(references(connection), runs=forms(connection))


def _lights(connection: Connection, which: Sequence[ColumnElement[bool]]) -> dict[Key, Reference]:
    """Find those of light; moonlight takes none of it, so all nights serve."""
    t = m.run_light.c
    return _references(connection, t.light2_e2_adu2, t.base, null(), which)


def _skies(connection: Connection) -> tuple[dict[Key, Reference], dict[Key, Reference]]:
    t = m.run_depth.c
    values = (t.point_s_e2, t.extended_s_arcsec2_e2)
    point, extended = (_references(connection, v, t.filter, t.moonless, ()) for v in values)
    return point, extended


def _references(
    connection: Connection,
    value: Column[Any],
    name: Column[Any],
    moonless: ColumnElement[Any],
    which: Sequence[ColumnElement[bool]],
) -> dict[Key, Reference]:
    """Find the reference of each rig and name, as `reference_of` does.

    The database ranks the nights and gives the few that are looked at: a club has thousands.
    """
    ranked = _ranked(value, name, moonless).where(value.is_not(None), *which).subquery()
    c = ranked.c
    beside_the_quartile = func.abs(4 * c.at - 3 * (c.nights - 1)) <= 4
    asked = case((c.nights <= FEW_NIGHTS, c.at == c.nights - 1), else_=beside_the_quartile)
    found: dict[Group, dict[int, NightValue]] = {}
    about: dict[Group, tuple[int, bool]] = {}
    for *group, one, night, at, nights, told in connection.execute(select(ranked).where(asked)):
        key = (group[0], group[1], bool(group[2]))
        found.setdefault(key, {})[at] = NightValue(one, night)
        about[key] = nights, bool(told)
    # Of nights with the Moon and without, those without come last and outrank the others.
    return {
        key[:2]: reference_at(found[key], nights, _darkness(key[2], told))
        for key, (nights, told) in sorted(about.items())
    }


def _ranked(
    value: Column[Any], name: Column[Any], moonless: ColumnElement[Any]
) -> Select[*tuple[Any, ...]]:
    """Rank the nights of each rig and name, those without the Moon apart, from 0."""
    r, known = m.run.c, cast(moonless, Boolean)
    dark = func.coalesce(known, false())
    group = (r.rig_id, name, dark)
    rank = func.row_number().over(partition_by=group, order_by=(value, r.night))
    told = func.max(case((known.is_(None), 0), else_=1))
    return (
        select(r.rig_id, name.label("name"), dark.label("dark"), value.label("value"), r.night)
        .add_columns((rank - 1).label("at"))
        .add_columns(func.count().over(partition_by=group).label("nights"))
        .add_columns(told.over(partition_by=group).label("told"))
        .join(m.run, r.id == value.table.c.run_id)
    )


def _darkness(dark: bool, told: bool) -> bool | None:
    return True if dark else False if told else None


def forms(connection: Connection) -> Forms:
    """Load the rig of each run, and the form that its effective time is reckoned in."""
    r = m.run.c
    rows = connection.execute(select(r.id, r.rig_id, r.depth_form))
    return {run_id: (rig_id, form) for run_id, rig_id, form in rows}


def with_effective(connection: Connection, frames: Sequence[Frame]) -> list[Frame]:
    """Give frames their effective time by the references of today."""
    if not any(frame.judgement.depth_base for frame in frames):
        return list(frames)
    against = references_of_frames(connection)
    return [_divided(frame, against) for frame in frames]


def _divided(frame: Frame, against: References) -> Frame:
    seconds = against.effective_s(frame)
    if seconds is None:
        return frame
    own = replace(frame.judgement, effective_s=seconds, effective_form=against.form_of(frame))
    return replace(frame, judgement=own)
