"""Stored pictures of flats and of the lights they are for, and what they said of dust."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, bindparam, delete, insert, select

from runlog.core.calibration.dust import Shadows
from runlog.core.calibration.fit import LightGroup
from runlog.core.frame import Grade, Kind, Stage
from runlog.store import models as m
from runlog.store.mine import my_runs

Dust = dict[str, Shadows | None]  # by the digest of the pictures


@dataclass(frozen=True, slots=True)
class Pictured:
    """A frame whose picture may be stored, and what is known of its level without light."""

    id: int
    key: str
    run_id: int
    night: str
    pedestal_adu: float | None
    measured_with: int | None
    stored: bool


_F = m.frame.c
_QUERY = (
    select(
        _F.id,
        _F.content_key,
        _F.run_id,
        m.run.c.night,
        _F.pedestal_adu,
        _F.measured_with,
        m.preview.c.frame_id.label("stored"),
    )
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
    return [Pictured(*row[:-1], row.stored is not None) for row in rows]


# --- what was found ---------------------------------------------------------------------------

_D = m.run_dust.c
_OF_RUN = select(_D.pictures, _D.shadows).where(_D.run_id == bindparam("run"))
_DROP = delete(m.run_dust).where(_D.run_id == bindparam("run"))


def digest(of: Sequence[Pictured], on: Sequence[Pictured]) -> str:
    """Name the pictures that are compared, and all that their light is reckoned by."""
    named = [[(p.key, p.pedestal_adu, p.measured_with) for p in side] for side in (of, on)]
    return hashlib.blake2b(repr(named).encode(), digest_size=16).hexdigest()


def dust_of_run(connection: Connection, run_id: int) -> Dust:
    """Load what was found of the pictures of a run's flats."""
    rows = connection.execute(_OF_RUN, {"run": run_id})
    return {row.pictures: row.shadows and Shadows(**row.shadows) for row in rows}


def keep_dust(connection: Connection, found: Mapping[int, Dust]) -> None:
    """Keep what was found, run by run, in place of what was kept of them; of runs of one's own."""
    query = select(m.run.c.id).where(m.run.c.id.in_(list(found)), *my_runs(connection))
    for run_id in list(connection.execute(query).scalars()):
        connection.execute(_DROP, {"run": run_id})
        rows = [
            {"run_id": run_id, "pictures": which, "shadows": said and asdict(said)}
            for which, said in found[run_id].items()
        ]
        connection.execute(insert(m.run_dust), rows)
