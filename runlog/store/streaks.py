"""The lines of light of a rig's frames, to tell trails from what recurs."""

from collections.abc import Mapping

from sqlalchemy import Connection, bindparam, func, select

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
        .where(*_MEASURED_LIGHT, _f.streaks_seen.is_not(None))
        .where(_f.run_id.in_(select(m.run.c.id).where(m.run.c.rig_id == rig_id)))
    )
    found = []
    for key, run_id, start, counted, lines, stored, *geometry in connection.execute(query):
        ends = tuple(tuple(line) for line in lines)
        trails = tuple([Streak(*line) for line in stored or ()])
        found.append((Seen(key, run_id, tuple(geometry), start, counted, ends), trails))
    return found


def exposures_of_run(connection: Connection, run_id: int) -> Mapping[Geometry, int]:
    """Count the exposures of a run whose lines are known, by size and binning."""
    rows = connection.execute(_EXPOSURES, {"run": run_id})
    return {tuple(geometry): count for count, *geometry in rows}


_MEASURED_LIGHT = (_f.header_kind == Kind.LIGHT.value, _f.measured_with.is_not(None))
_EXPOSURES = (
    select(func.count(), *_GEOMETRY)
    .where(_f.run_id == bindparam("run"), *_MEASURED_LIGHT)
    .where(_f.counted, _f.taken_at_utc.is_not(None))
    .group_by(*_GEOMETRY)
)
