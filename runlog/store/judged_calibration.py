"""The levels of calibration frames, one by one."""

from typing import Any

from sqlalchemy import Connection, or_, select

from runlog.core.calibration.judged import LevelFrame
from runlog.core.frame import Kind, Stage
from runlog.store import models as m
from runlog.store.calibration import CALIBRATION, sensor_of

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
    shots, r = m.run_shots.c, m.run.c
    # Runs first: frames are many, and runs with such of a year are few.
    runs = select(shots.run_id).join(m.run, r.id == shots.run_id)
    runs = runs.where(shots.kind.in_(CALIBRATION))
    if since is not None:
        runs = runs.where(or_(r.night >= since, r.night == ""))
    query = (
        select(m.run.c.night, m.run.c.rig_id, m.rig.c.name.label("rig"), *_COLUMNS)
        .join(m.run, m.run.c.id == _F.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .where(_F.run_id.in_(runs), _F.kind.in_(CALIBRATION))
        .where(_F.counted, _F.stage == Stage.RAW.value, _F.level.is_not(None))
    )
    return [_frame(row) for row in connection.execute(query).all()]


def any_before(connection: Connection, since: str) -> bool:
    """Tell whether there are calibration frames of evenings before one."""
    shots, r = m.run_shots.c, m.run.c
    query = select(shots.id).join(m.run, r.id == shots.run_id).where(shots.kind.in_(CALIBRATION))
    return (
        connection.execute(query.where(r.night < since, r.night != "").limit(1)).first() is not None
    )


def _frame(row: Any) -> LevelFrame:
    """Make a row's frame, by place: a year has thousands."""
    night, rig_id, rig, kind, *setting, name, exposure_s, set_c, sensor_c, start, level = row
    median_adu, noise_adu, low_adu, high_adu = (_number(level.get(each)) for each in _LEVELS)
    return LevelFrame(
        Kind(kind),
        rig,
        rig_id,
        sensor_of(*setting),
        night,
        name,
        exposure_s,
        set_c,
        sensor_c,
        start,
        median_adu,
        noise_adu,
        low_adu,
        high_adu,
        level.get("ceiling_adu"),
        level.get("corner_excess_adu"),
    )


_LEVELS = ("median_adu", "noise_adu", "low_adu", "high_adu")


def _number(value: float | None) -> float:
    return float("nan") if value is None else value
