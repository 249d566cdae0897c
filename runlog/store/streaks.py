"""The lines of light of a rig's frames, to tell trails from what recurs."""

from collections.abc import Mapping

from sqlalchemy import ColumnElement, Connection, func, select

from runlog.core.frame import Kind, Streak
from runlog.core.grading.recurring_lines import Geometry, Seen
from runlog.store import models as m

_f = m.frame.c
_GEOMETRY = (_f.width, _f.height, _f.binning_x, _f.binning_y)


def lines_of_rig(connection: Connection, rig_id: int) -> list[tuple[Seen, tuple[Streak, ...]]]:
    """Load the rig's lights that have lines, each with the streaks stored for it."""
    query = (
        select(_f.content_key, _f.run_id, _f.taken_at_utc, _f.counted, _f.streaks_seen, _f.streaks)
        .add_columns(*_GEOMETRY)
        .where(*_measured_lights(rig_id), _f.streaks_seen.is_not(None))
    )
    found = []
    for key, run_id, start, counted, lines, stored, *geometry in connection.execute(query):
        ends = tuple(tuple(line) for line in lines)
        trails = tuple([Streak(*line) for line in stored or ()])
        found.append((Seen(key, run_id, tuple(geometry), start, counted, ends), trails))
    return found


def exposures_of_rig(connection: Connection, rig_id: int) -> Mapping[tuple[int, Geometry], int]:
    """Count the exposures of each run of a rig whose lines are known, by size and binning."""
    query = (
        select(_f.run_id, func.count(), *_GEOMETRY)
        .where(*_measured_lights(rig_id), _f.counted, _f.taken_at_utc.is_not(None))
        .group_by(_f.run_id, *_GEOMETRY)
    )
    return {
        (run_id, tuple(geometry)): count
        for run_id, count, *geometry in connection.execute(query).all()
    }


def _measured_lights(rig_id: int) -> tuple[ColumnElement[bool], ...]:
    runs = select(m.run.c.id).where(m.run.c.rig_id == rig_id)
    return (
        _f.run_id.in_(runs),
        _f.header_kind == Kind.LIGHT.value,
        _f.measured_with.is_not(None),
    )
