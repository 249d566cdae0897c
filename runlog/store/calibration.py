"""Lights that are kept and calibration frames, gathered by what must agree between them."""

import re
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, func, select

from runlog.core.calibration import Sensor, Shots
from runlog.core.frame import Grade, Kind
from runlog.store import models as m

CALIBRATION = (Kind.DARK.value, Kind.FLAT.value, Kind.FLAT_DARK.value, Kind.BIAS.value)
_OF = re.compile(r"\bof (flat-dark|dark|flat|bias)\Z")


def kept_lights(connection: Connection, doubtful: bool) -> list[Shots]:
    """Load kept lights, a row a night and setting."""
    f = m.frame.c
    grades = [Grade.KEEP.value, *([Grade.DOUBTFUL.value] if doubtful else [])]
    found = _grouped(connection, f.kind == Kind.LIGHT.value, f.counted, f.grade.in_(grades))
    return [_shots(row, Kind.LIGHT) for row in found]


def stock(connection: Connection) -> list[Shots]:
    """Load all calibration frames there are, masters included, a row a night and setting."""
    f = m.frame.c
    single = _grouped(connection, f.kind.in_(CALIBRATION), f.counted, f.stage == "raw")
    stacks = _grouped(connection, f.kind == Kind.STACK.value)
    masters = [_shots(row, kind, True) for row in stacks if (kind := _made_of(row.kind_from))]
    return [_shots(row, Kind(row.kind)) for row in single] + masters


def _made_of(kind_from: str) -> Kind | None:
    """Tell what a stack was made of from how its kind was found out; lights' stacks are none."""
    match = _OF.search(kind_from)
    return Kind(match[1]) if match else None


def _grouped(connection: Connection, *conditions: Any) -> Sequence[Row[Any]]:
    f = m.frame.c
    # The set temperature is what was asked for; a camera without one tells what it had.
    cold = func.round(func.coalesce(f.set_c, f.sensor_c))
    own = (f.kind, f.kind_from, f.camera_key, f.gain, f.offset, f.readout_mode, f.binning_x)
    more = (f.binning_y, f.width, f.height, f.exposure_s, f.filter, f.rotator_deg, f.combined)
    query = (
        select(*own, *more, cold.label("cold_c"), func.count().label("frames"))
        .add_columns(m.run.c.night, m.rig.c.name.label("rig"), m.run.c.rig_id)
        .join(m.run, m.run.c.id == f.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .where(*conditions)
        .group_by(*own, *more, cold, m.run.c.night, m.rig.c.name, m.run.c.rig_id)
        .order_by(m.run.c.night, m.run.c.rig_id)
    )
    return connection.execute(query).all()


def _shots(row: Row[Any], kind: Kind, master: bool = False) -> Shots:
    return Shots(
        kind=kind,
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
        frames=row.frames,
        exposures=row.combined,
        master=master,
    )
