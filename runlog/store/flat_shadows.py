"""Stored pictures of flats and of the lights they are for."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, select

from runlog.core.calibration.fit import LightGroup
from runlog.core.frame import Grade, Kind, Stage
from runlog.store import models as m


@dataclass(frozen=True, slots=True)
class Pictured:
    """A frame whose picture may be stored, and what is known of its level without light."""

    id: int
    night: str
    pedestal_adu: float | None
    stored: bool


_F = m.frame.c
_QUERY = (
    select(_F.id, m.run.c.night, _F.pedestal_adu, m.preview.c.frame_id.label("stored"))
    .join(m.run, m.run.c.id == _F.run_id)
    .outerjoin(m.preview, m.preview.c.frame_id == _F.id)
    .order_by(m.run.c.night, _F.taken_at_utc, _F.content_key)
)


def flats_of(connection: Connection, group: LightGroup, since: str | None = None) -> list[Pictured]:
    """List the single flats of the optics, filter and pixels of some lights, from an evening on."""
    which = [_F.kind == Kind.FLAT.value, _F.stage == Stage.RAW.value]
    if since is not None:
        late = select(m.run.c.id).where(m.run.c.rig_id == group.rig_id, m.run.c.night >= since)
        which.append(_F.run_id.in_(late))
    return _listed(connection, group, which)


def lights_of(connection: Connection, group: LightGroup, night: str) -> list[Pictured]:
    """List the kept raw lights of a group in one night."""
    kept = (_F.grade == Grade.KEEP.value, _F.stage == Stage.RAW.value, m.run.c.night == night)
    return _listed(connection, group, (_F.kind == Kind.LIGHT.value, *kept))


def _listed(
    connection: Connection, group: LightGroup, which: Sequence[ColumnElement[bool]]
) -> list[Pictured]:
    sensor = group.sensor
    alike: tuple[Any, ...] = (
        m.run.c.rig_id == group.rig_id,
        _F.filter == group.filter,
        _F.camera_key == sensor.camera,
        *(_F.binning_x == sensor.binning[0], _F.binning_y == sensor.binning[1]),
        *(_F.width == sensor.size[0], _F.height == sensor.size[1]),
    )
    rows = connection.execute(_QUERY.where(_F.counted, *alike, *which))
    return [Pictured(r.id, r.night, r.pedestal_adu, r.stored is not None) for r in rows]
