"""What runs say over months: of each frame as few columns as that takes."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, select

from runlog.core.frame import Kind, Stage
from runlog.core.grading.summary import RunSummary
from runlog.core.selection import Selection
from runlog.core.trends.numbers import CameraSetting, LevelNumbers, LightNumbers
from runlog.store import models as m
from runlog.store.history import summary_of_row
from runlog.store.where import lights, of_runs


@dataclass(frozen=True, slots=True)
class OneRun:
    """A dated run and whose it is."""

    id: int
    night: str
    rig_id: int
    rig: str


_R, _F = m.run.c, m.frame.c
_SETTING = (_F.binning_x, _F.binning_y, _F.gain, _F.offset, _F.readout_mode)
_LIGHT = (
    *(_F.grade, _F.filter, _F.stage, _F.taken_at_utc, _F.exposure_s, _F.measured_with),
    *(_F.arcsec_per_px, _F.eccentricity),
    _F.field["tilt"].as_float().label("tilt"),
    _F.field["curvature"].as_float().label("curvature"),
    *(_F.background_adu, _F.noise_adu, _F.pedestal_adu, _F.egain_e_adu),
    *(_F.sun_alt_deg, _F.moon_alt_deg, _F.airmass, _F.set_c, _F.sensor_c),
)
_LEVEL = (
    *(_F.kind, _F.exposure_s, func.coalesce(_F.set_c, _F.sensor_c)),
    _F.level["median_adu"].as_float(),
    _F.level["noise_adu"].as_float(),
)


def runs(connection: Connection, selection: Selection) -> list[OneRun]:
    """List the dated runs of a selection by rig and night."""
    query = (
        select(_R.id, _R.night, _R.rig_id, m.rig.c.name)
        .join(m.rig, m.rig.c.id == _R.rig_id)
        .where(_R.night != "", *of_runs(selection))
        .order_by(m.rig.c.name, _R.rig_id, _R.night)
    )
    return [OneRun(*row) for row in connection.execute(query)]


def summaries_of(connection: Connection, selection: Selection) -> Iterator[tuple[int, RunSummary]]:
    """Load what was summed up of the runs, by filter and setting."""
    s = m.run_summary.c
    query = select(m.run_summary).order_by(s.run_id, s.filter, s.setting)
    for row in connection.execute(_of_runs(query, s, selection)):
        yield row.run_id, summary_of_row(row)


def hours_of(connection: Connection, selection: Selection) -> Iterator[tuple[int, float, float]]:
    """Load logged and kept seconds of the runs, in parts."""
    s = m.run_sum.c
    query = select(s.run_id, s.logged_s, s.kept_s).order_by(s.run_id, s.target, s.filter)
    rows = connection.execute(_of_runs(query, s, selection))
    yield from ((row.run_id, row.logged_s, row.kept_s) for row in rows)


def lights_of(connection: Connection, selection: Selection) -> Iterator[tuple[int, LightNumbers]]:
    """Load the numbers of the light frames that count."""
    for run_id, setting, values in _loaded(connection, _LIGHT, lights(), selection):
        yield run_id, LightNumbers(setting, *values)


def levels_of(connection: Connection, selection: Selection) -> Iterator[tuple[int, LevelNumbers]]:
    """Load the levels of single raw bias and dark frames."""
    zeros = (Kind.BIAS.value, Kind.DARK.value)
    raw = _F.stage == Stage.RAW.value
    which = (_F.kind.in_(zeros), _F.counted, raw, _F.level.is_not(None))
    for run_id, setting, values in _loaded(connection, _LEVEL, which, selection):
        yield run_id, LevelNumbers(setting, *values)


Columns = tuple[ColumnElement[Any], ...]


def _loaded(
    connection: Connection, columns: Columns, which: Columns, selection: Selection
) -> Iterator[tuple[int, CameraSetting, list[Any]]]:
    """Load values of frames; settings are few, and are made once."""
    query = _of_runs(select(_F.run_id, *_SETTING, *columns).where(*which), _F, selection)
    made: dict[tuple[Any, ...], CameraSetting] = {}
    for run_id, *values in connection.execute(query):
        own = tuple(values[: len(_SETTING)])
        if own not in made:
            made[own] = CameraSetting(*own)
        yield run_id, made[own], values[len(_SETTING) :]


def _of_runs(query: Select[Any], columns: Any, selection: Selection) -> Select[Any]:
    chosen = select(_R.id).where(_R.night != "", *of_runs(selection))
    return query.where(columns.run_id.in_(chosen))
