"""Lights that are kept and calibration frames, gathered by what must agree between them."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Self

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Integer,
    Row,
    Select,
    Subquery,
    and_,
    case,
    cast,
    delete,
    false,
    func,
    insert,
    not_,
    or_,
    select,
)

from runlog.core.calibration.fit import LightGroup, Shots, lights_of
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Grade, Kind
from runlog.core.header.region import read_origin
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.headers import unpack_cards
from runlog.store.where import lights, of_groups, where

CALIBRATION = (Kind.DARK.value, Kind.FLAT.value, Kind.FLAT_DARK.value, Kind.BIAS.value)
_SENSOR = "camera_key gain offset readout_mode binning_x binning_y width height".split()
_TAKEN = "kind kind_from exposure_s cold_c filter rotator_deg combined".split()
_OF = re.compile(r"\bof (flat-dark|dark|flat|bias)\Z")
Aliases = Mapping[str, tuple[str, ...]]
Region = tuple[str, int, int, int, int]  # camera, binning both ways, size


@dataclass(frozen=True, slots=True)
class Partial:
    """Which regions are smaller than their sensor: (camera, binning, size), as stored."""

    regions: frozenset[Region]

    @classmethod
    def of(cls, connection: Connection) -> Self:
        """Compare all regions ever read out with the largest of the same camera."""
        f = m.frame.c
        regions = (f.camera_key, f.binning_x, f.binning_y, f.width, f.height)
        rows = connection.execute(select(*regions).distinct())
        seen: list[Region] = [tuple(row) for row in rows]
        widest: dict[str, tuple[int, int]] = {}
        for camera, across, down, width, height in seen:
            have = widest.get(camera, (0, 0))
            widest[camera] = (max(have[0], width * across), max(have[1], height * down))
        return cls(frozenset(r for r in seen if _is_smaller(r, widest[r[0]])))

    def holds(self, rows: Any) -> ColumnElement[bool]:
        """Ask for the rows of such regions, by the columns of a table."""
        columns = (rows.camera_key, rows.binning_x, rows.binning_y, rows.width, rows.height)
        alike = (
            and_(*(c == value for c, value in zip(columns, region, strict=True)))
            for region in sorted(self.regions)
        )
        return or_(false(), *alike)


def _is_smaller(region: Region, widest: tuple[int, int]) -> bool:
    """Binning leaves out a rest of columns and rows that fill no pixel."""
    _, across, down, width, height = region
    return (width + 1) * across <= widest[0] or (height + 1) * down <= widest[1]


def lights_and_stock(
    connection: Connection, selection: Selection, doubtful: bool, aliases: Aliases
) -> tuple[list[LightGroup], list[Shots]]:
    """Load the kept lights chosen, a row a setting, and all calibration frames, a row a night."""
    partial = Partial.of(connection)
    kept = _kept(connection, selection, doubtful)
    placed = _placed(connection, or_(kept, _stock()), partial, aliases)
    found = _whole_lights(connection, selection, kept, doubtful, partial)
    found += [lights_of(s) for s in placed if s.kind is Kind.LIGHT]
    stock = _whole_stock(connection, partial) + placed
    frames = [s for s in stock if not s.master and s.kind.value in CALIBRATION]
    return found, frames + [s for s in stock if s.master]


def put_shots(connection: Connection, run_id: int) -> None:
    """Count a run's frames again by what they were taken with."""
    s = m.run_shots.c
    connection.execute(delete(m.run_shots).where(s.run_id == run_id))
    counted = _counted(m.frame.c.run_id == run_id, or_(and_(*lights()), _stock()))
    connection.execute(insert(m.run_shots).from_select(counted.selected_columns.keys(), counted))


def _made_of(kind_from: str) -> Kind | None:
    """Tell what a stack was made of from how its kind was found out; lights' stacks are none."""
    match = _OF.search(kind_from)
    return Kind(match[1]) if match else None


def _stock() -> ColumnElement[bool]:
    """Mean calibration frames, each exposure once, and what was made of them."""
    f = m.frame.c
    single = and_(f.kind.in_(CALIBRATION), f.counted, f.stage == "raw")
    return or_(single, f.kind == Kind.STACK.value)


def _kept(connection: Connection, selection: Selection, doubtful: bool) -> ColumnElement[bool]:
    grades = [Grade.KEEP.value, *([Grade.DOUBTFUL.value] if doubtful else [])]
    return and_(*lights(), m.frame.c.grade.in_(grades), *where(connection, selection))


def _counted(*which: ColumnElement[bool]) -> Select[Any]:
    """Count frames by run and by what they were taken with, and the kept and doubtful of them."""
    f = m.frame.c
    graded = [
        cast(func.sum(case((f.grade == grade.value, 1), else_=0)), Integer).label(name)
        for name, grade in (("kept", Grade.KEEP), ("doubtful", Grade.DOUBTFUL))
    ]
    frames = cast(func.count(), Integer).label("frames")
    query = select(*_own_columns(), frames, *graded).where(*which)
    return query.group_by(*_own_columns())


def _whole_lights(
    connection: Connection,
    selection: Selection,
    kept: ColumnElement[bool],
    doubtful: bool,
    partial: Partial,
) -> list[LightGroup]:
    """Count lights of whole sensors: as runs have counted theirs, where whole runs are meant."""
    source: FromClause = m.run_shots
    chosen: list[ColumnElement[bool]] = []
    if selection.of_whole_runs:
        chosen = of_groups(selection, m.run_shots)
    else:
        source = _counted(kept).subquery()
    s, r = source.c, m.run.c
    frames = s.kept + s.doubtful if doubtful else s.kept
    alike = (s.exposure_s, s.cold_c, s.filter, s.rotator_deg, *(s[name] for name in _SENSOR))
    whose = (m.rig.c.name, r.rig_id)
    query = (
        select(func.aggregate_strings(r.night, " "), func.sum(frames), *whose, *alike)
        .join(m.run, r.id == s.run_id)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .where(s.kind == Kind.LIGHT.value, frames > 0, not_(partial.holds(s)), *chosen)
        .group_by(*whose, *alike)
    )
    return [
        LightGroup(
            rig, rig_id, sensor_of(*setting), length, cold, name, angle, _nights(nights), total
        )
        for nights, total, rig, rig_id, length, cold, name, angle, *setting in (
            connection.execute(query)
        )
    ]


def _nights(text: str) -> tuple[str, ...]:
    """Read nights that were put together; one that is not known is nothing between two."""
    return tuple(sorted(set(text.split(" "))))


def _whole_stock(connection: Connection, partial: Partial) -> list[Shots]:
    """Count calibration frames of whole sensors, as runs have counted theirs."""
    s = m.run_shots.c
    query = select(*(s[c.name] for c in m.run_shots.c if c.name != "id"))
    some = query.where(s.kind != Kind.LIGHT.value, not_(partial.holds(s))).subquery()
    rows = connection.execute(_settings(some, some.c.frames))
    return [_shots(row, row[-1]) for row in rows]


def _placed(
    connection: Connection, which: ColumnElement[bool], partial: Partial, aliases: Aliases
) -> list[Shots]:
    """Count frames of a part of the sensor by where it begins, as their stored cards say."""
    if not partial.regions:
        return []
    h = m.header.c
    query = select(*_own_columns(), h.cards).join(m.header, h.frame_id == m.frame.c.id)
    some = query.where(which, partial.holds(m.frame.c), h.speaks).subquery()
    counts: Counter[Shots] = Counter()
    for row in connection.execute(_settings(some, some.c.cards)):
        shots = _shots(row, 1)
        origin = read_origin(unpack_cards(row[-1]), shots.sensor.binning, aliases)
        counts[replace(shots, sensor=replace(shots.sensor, partial=True, origin=origin))] += 1
    return [replace(shots, frames=count) for shots, count in counts.items()]


def _settings(which: Subquery, last: ColumnElement[Any]) -> Select[Any]:
    """Select what `_shots` wants and one thing more, ordered by night and rig."""
    return (
        select(*(which.c[name] for name in (*_SENSOR, *_TAKEN)))
        .add_columns(m.rig.c.name, m.run.c.rig_id, m.run.c.night, last)
        .join(m.run, m.run.c.id == which.c.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .order_by(m.run.c.night, m.run.c.rig_id)
    )


def _own_columns() -> Iterable[ColumnElement[Any]]:
    """Name what frames are told apart by; a database that sorts them compares the first first."""
    f = m.frame.c
    # The set temperature is what was asked for; a camera without one tells what it had.
    cold = func.round(func.coalesce(f.set_c, f.sensor_c)).label("cold_c")
    own = (f.run_id, f.filter, f.exposure_s, f.kind, f.kind_from, f.camera_key, f.gain, f.offset)
    more = (f.readout_mode, f.binning_x, f.binning_y, f.width, f.height, f.rotator_deg, f.combined)
    return (*own, *more, cold)


def _shots(row: Row[Any], frames: int) -> Shots:
    """Make a row's shots, by place: ten years have ten thousand of them."""
    kind, kind_from, exposure_s, cold_c, name, rotator_deg, combined, rig, rig_id, night, _ = row[
        len(_SENSOR) :
    ]
    made_of = _made_of(kind_from) if kind == Kind.STACK.value else None
    return Shots(
        made_of or Kind(kind),
        rig,
        rig_id,
        sensor_of(*row[: len(_SENSOR)]),
        exposure_s,
        cold_c,
        name,
        rotator_deg,
        night,
        frames,
        combined,
        made_of is not None,
    )


@lru_cache(maxsize=1_000)
def sensor_of(
    camera: str,
    gain: float | None,
    offset: float | None,
    mode: str | None,
    across: int,
    down: int,
    width: int,
    height: int,
) -> Sensor:
    """Read the columns of a setting, in the order of `_SENSOR`; thousands of rows share a few."""
    return Sensor(camera, gain, offset, mode, (across, down), (width, height))
