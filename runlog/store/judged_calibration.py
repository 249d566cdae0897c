"""The levels of calibration frames, one by one."""

from typing import Any

from sqlalchemy import Connection, select

from runlog.core.calibration.judged import LevelFrame
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Kind, Stage
from runlog.store import models as m
from runlog.store.calibration import CALIBRATION

_F = m.frame.c
_COLUMNS = (
    *(_F.kind, _F.camera_key, _F.gain, _F.offset, _F.readout_mode, _F.binning_x, _F.binning_y),
    *(_F.width, _F.height, _F.filter, _F.exposure_s, _F.set_c, _F.sensor_c, _F.taken_at_utc),
    _F.level,
)


def level_frames(connection: Connection) -> list[LevelFrame]:
    """Load the single raw calibration frames that count and whose levels are known."""
    query = (
        select(m.run.c.night, m.run.c.rig_id, m.rig.c.name.label("rig"), *_COLUMNS)
        .join(m.run, m.run.c.id == _F.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .where(_F.kind.in_(CALIBRATION), _F.counted, _F.stage == Stage.RAW.value)
        .where(_F.level.is_not(None))
    )
    return [_frame(row) for row in connection.execute(query)]


def _frame(row: Any) -> LevelFrame:
    level = {name: _number(row.level.get(name)) for name in _LEVELS}
    return LevelFrame(
        kind=Kind(row.kind),
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
        night=row.night,
        filter=row.filter,
        exposure_s=row.exposure_s,
        set_c=row.set_c,
        sensor_c=row.sensor_c,
        taken_at_utc=row.taken_at_utc,
        median_adu=level["median_adu"],
        noise_adu=level["noise_adu"],
        low_adu=level["low_adu"],
        high_adu=level["high_adu"],
        ceiling_adu=row.level.get("ceiling_adu"),
        span_adu=row.level.get("corner_excess_adu"),
    )


_LEVELS = ("median_adu", "noise_adu", "low_adu", "high_adu")


def _number(value: float | None) -> float:
    return float("nan") if value is None else value
