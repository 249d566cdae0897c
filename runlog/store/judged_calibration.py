"""The levels of calibration frames, one by one."""

from typing import Any

from sqlalchemy import Connection, or_, select

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


def level_frames(connection: Connection, since: str | None = None) -> list[LevelFrame]:
    """Load the single raw calibration frames that count and whose levels are known.

    Those of an evening and after it, and those that do not say when they were taken.
    """
    r = m.run.c
    # Runs first: frames are many, and those of a year are few.
    runs = select(r.id).where(or_(r.night >= since, r.night == "")) if since else None
    late = () if runs is None else (_F.run_id.in_(runs),)
    query = (
        select(m.run.c.night, m.run.c.rig_id, m.rig.c.name.label("rig"), *_COLUMNS)
        .join(m.run, m.run.c.id == _F.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .where(_F.kind.in_(CALIBRATION), _F.counted, _F.stage == Stage.RAW.value)
        .where(_F.level.is_not(None), *late)
    )
    sensors: dict[tuple[Any, ...], Sensor] = {}
    return [_frame(row, sensors) for row in connection.execute(query)]


def any_before(connection: Connection, since: str) -> bool:
    """Tell whether there are calibration frames of evenings before one."""
    shots, r = m.run_shots.c, m.run.c
    query = select(shots.id).join(m.run, r.id == shots.run_id).where(shots.kind.in_(CALIBRATION))
    return (
        connection.execute(query.where(r.night < since, r.night != "").limit(1)).first() is not None
    )


def _frame(row: Any, sensors: dict[tuple[Any, ...], Sensor]) -> LevelFrame:
    """Make a row's frame; settings that were seen before share one sensor."""
    level = {name: _number(row.level.get(name)) for name in _LEVELS}
    binning, size = (row.binning_x, row.binning_y), (row.width, row.height)
    setting = (row.camera_key, row.gain, row.offset, row.readout_mode, binning, size)
    return LevelFrame(
        kind=Kind(row.kind),
        rig=row.rig,
        rig_id=row.rig_id,
        sensor=sensors.setdefault(setting, Sensor(*setting)),
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
