"""Lights that are kept and calibration frames, gathered by what must agree between them."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Self

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, false, func, not_, or_, select

from runlog.core.calibration.fit import Shots
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Grade, Kind
from runlog.core.header.region import read_origin
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.headers import unpack_cards
from runlog.store.where import lights, where

CALIBRATION = (Kind.DARK.value, Kind.FLAT.value, Kind.FLAT_DARK.value, Kind.BIAS.value)
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

    @property
    def holds(self) -> ColumnElement[bool]:
        """Ask for the frames of such regions."""
        f = m.frame.c
        columns = (f.camera_key, f.binning_x, f.binning_y, f.width, f.height)
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
) -> tuple[list[Shots], list[Shots]]:
    """Load the kept lights chosen, and all calibration frames; a row a night and setting."""
    f = m.frame.c
    grades = [Grade.KEEP.value, *([Grade.DOUBTFUL.value] if doubtful else [])]
    kept = and_(*lights(), f.grade.in_(grades), *where(connection, selection))
    single = and_(f.kind.in_(CALIBRATION), f.counted, f.stage == "raw")
    stacks = f.kind == Kind.STACK.value
    every = _loaded(connection, or_(kept, single, stacks), Partial.of(connection), aliases)
    frames = [s for s in every if not s.master and s.kind.value in CALIBRATION]
    return [s for s in every if s.kind is Kind.LIGHT], frames + [s for s in every if s.master]


def _made_of(kind_from: str) -> Kind | None:
    """Tell what a stack was made of from how its kind was found out; lights' stacks are none."""
    match = _OF.search(kind_from)
    return Kind(match[1]) if match else None


def _loaded(
    connection: Connection, which: ColumnElement[bool], partial: Partial, aliases: Aliases
) -> list[Shots]:
    """Count whole frames in the database; only those of a part are looked at one by one."""
    query = select(*_own_columns(), func.count().label("frames")).group_by(*_own_columns())
    whole = connection.execute(_settings(query.where(which, not_(partial.holds))))
    found = [_shots(row, row.frames) for row in whole]
    return found + _placed(connection, and_(which, partial.holds), aliases)


def _placed(connection: Connection, which: ColumnElement[bool], aliases: Aliases) -> list[Shots]:
    """Count frames of a part of the sensor by where it begins, as their stored cards say."""
    h = m.header.c
    query = select(*_own_columns(), h.cards).join(m.header, h.frame_id == m.frame.c.id)
    counts: Counter[Shots] = Counter()
    for row in connection.execute(_settings(query.where(which, h.speaks))):
        shots = _shots(row, 1)
        origin = read_origin(unpack_cards(row.cards), shots.sensor.binning, aliases)
        counts[replace(shots, sensor=replace(shots.sensor, partial=True, origin=origin))] += 1
    return [replace(shots, frames=count) for shots, count in counts.items()]


def _settings(which: Select[Any]) -> Select[Any]:
    """Select what tells frames apart, ordered by night and rig."""
    f = which.subquery().c
    return (
        select(*f, m.run.c.night, m.rig.c.name.label("rig"), m.run.c.rig_id)
        .join(m.run, m.run.c.id == f.run_id)
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
    made_of = _made_of(row.kind_from) if row.kind == Kind.STACK.value else None
    return Shots(
        kind=made_of or Kind(row.kind),
        rig=row.rig,
        rig_id=row.rig_id,
        sensor=Sensor(
            row.camera_key,
            row.gain,
            row.offset,
            row.readout_mode,
            (row.binning_x, row.binning_y),
            (row.width, row.height),
        ),
        exposure_s=row.exposure_s,
        sensor_c=row.cold_c,
        filter=row.filter,
        rotator_deg=row.rotator_deg,
        night=row.night,
        frames=frames,
        exposures=row.combined,
        master=made_of is not None,
    )
