"""What frames show about their rows and columns, and what a run's frames have in common."""

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    String,
    and_,
    bindparam,
    cast,
    delete,
    insert,
    or_,
    select,
    update,
)

from runlog.core.frame import Kind, Stage
from runlog.core.sensor.own_pattern import DARK, Line, Pattern
from runlog.core.sensor.signs import Signs, unpack_signs
from runlog.store import models as m
from runlog.store.mine import my_frames
from runlog.store.shown import leave_to_others

LIGHT = Kind.LIGHT.value
ZEROS = (Kind.DARK.value, Kind.BIAS.value)


class Sensor(NamedTuple):
    """Frames whose rows can be the same: one camera, binning and size."""

    camera: str
    binning_x: int
    binning_y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class LookedFrame:
    """One frame whose rows were looked at, with what is stored about them."""

    id: int
    sensor: Sensor
    source: str | None  # stage of a light that counts, "dark", or None: not compared
    signs: Signs
    stored: tuple[str | None, str | None]  # fault and doubt, in words


_LOOKED = (
    select(m.frame.c.id, m.frame.c.camera_key, m.frame.c.binning_x, m.frame.c.binning_y)
    .add_columns(m.frame.c.width, m.frame.c.height, m.frame.c.stage, m.frame.c.header_kind)
    .add_columns(m.frame.c.counted, m.frame.c.signs, m.frame.c.readout, m.frame.c.readout_doubt)
    .add_columns(m.run.c.rig_id)
    .join(m.run, m.run.c.id == m.frame.c.run_id)
    .where(m.frame.c.run_id == bindparam("run"), m.frame.c.signs.is_not(None))
    .order_by(m.frame.c.content_key)
)


def looked_frames(connection: Connection, run_id: int) -> list[LookedFrame]:
    """Load the frames of a run whose rows were looked at."""
    return [
        LookedFrame(
            row.id,
            # A camera without a name is at least its rig's own.
            Sensor(row.camera_key or f"of rig {row.rig_id}", *row[2:6]),
            _source(row.header_kind, row.stage, counts=row.counted),
            unpack_signs(row.signs),
            (row.readout, row.readout_doubt),
        )
        for row in connection.execute(_LOOKED, {"run": run_id})
    ]


def _source(kind: str, stage: str, *, counts: bool) -> str | None:
    if kind in ZEROS:
        return DARK
    # The rows of a registered frame are no longer the camera's.
    return stage if kind == LIGHT and counts and stage != Stage.REGISTERED.value else None


def patterns(
    connection: Connection, sensor: Sensor, *which: ColumnElement[bool]
) -> dict[int, list[Pattern]]:
    """Load what the frames of a sensor had in common, by run."""
    r = m.run_rows.c
    query = (
        select(m.run.c.id, m.run.c.night, r.source, r.frames, r.rows, r["columns"])
        .join(m.run, m.run.c.id == r.run_id)
        .where(_of(sensor), *which)
        .order_by(m.run.c.id, r.source)
    )
    found: dict[int, list[Pattern]] = {}
    for run_id, night, source, frames, rows, columns in connection.execute(query):
        pattern = Pattern(night, source, frames, _lines(rows), _lines(columns))
        found.setdefault(run_id, []).append(pattern)
    return found


def patterns_that_tell(
    connection: Connection, sensor: Sensor, run_id: int
) -> dict[int, list[Pattern]]:
    """Load those with a line in them, which few have, and all of one run."""
    r = m.run_rows.c
    lines = (cast(column, String) != "[]" for column in (r.rows, r["columns"]))
    return patterns(connection, sensor, or_(r.run_id == run_id, *lines))


def _of(sensor: Sensor) -> ColumnElement[bool]:
    r = m.run_rows.c
    columns = (r.camera_key, r.binning_x, r.binning_y, r.width, r.height)
    return and_(*(column == value for column, value in zip(columns, sensor, strict=True)))


def _lines(packed: Sequence[Sequence[Any]]) -> tuple[Line, ...]:
    return tuple(Line(*line) for line in packed)


def sensors_of_run(connection: Connection, run_id: int) -> list[Sensor]:
    """List the sensors whose frames a run holds."""
    r = m.run_rows.c
    query = select(r.camera_key, r.binning_x, r.binning_y, r.width, r.height)
    rows = connection.execute(query.where(r.run_id == run_id).distinct())
    return sorted(Sensor(*row) for row in rows)


def put_patterns(
    connection: Connection, run_id: int, found: Mapping[tuple[Sensor, str], Pattern]
) -> None:
    """Store what a run's frames have in common instead of what was stored."""
    connection.execute(delete(m.run_rows).where(m.run_rows.c.run_id == run_id))
    rows = [_row(run_id, sensor, pattern) for (sensor, _), pattern in found.items()]
    if rows:
        connection.execute(insert(m.run_rows), rows)


def _row(run_id: int, sensor: Sensor, pattern: Pattern) -> dict[str, Any]:
    return {
        "run_id": run_id,
        "camera_key": sensor.camera,
        **dict(zip(Sensor._fields[1:], sensor[1:], strict=True)),
        "source": pattern.source,
        "frames": pattern.frames,
        "rows": [list(astuple(line)) for line in pattern.rows],
        "columns": [list(astuple(line)) for line in pattern.columns],
    }


_WRITE = (
    update(m.frame)
    .where(m.frame.c.id == bindparam("frame"))
    .values(readout=bindparam("fault"), readout_doubt=bindparam("doubt"))
)


def write_findings(
    connection: Connection, found: Mapping[int, tuple[str | None, str | None]]
) -> None:
    """Store what comparing found about the rows of some frames."""
    mine = my_frames(connection, list(found))
    leave_to_others(connection, [key for key in found if key not in mine])
    rows = [
        {"frame": key, "fault": f, "doubt": d}
        for key, (f, d) in sorted(found.items())
        if key in mine
    ]
    if rows:
        connection.execute(_WRITE, rows)
