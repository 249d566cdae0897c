"""What runs say to months of their rigs: points of series, and sweeps that found the focus."""

from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, insert, select

from runlog.core.focus.found import FoundFocus
from runlog.core.ledger.totals import RunSum
from runlog.core.selection import Selection
from runlog.core.trends.of_run import DarkLevel, Key, RunPoint, RunPoints
from runlog.core.trends.run_series import RunSeries
from runlog.store import models as m
from runlog.store.mine import my_runs
from runlog.store.where import of_runs


@dataclass(frozen=True, slots=True)
class OneRun:
    """A run and whose it is, with what it says; None where that is not stored yet."""

    id: int
    night: str
    rig_id: int
    rig: str
    series: RunSeries | None


_R, _T = m.run.c, m.run_series.c
_OF_RUN = select(m.run_series).where(_T.run_id == bindparam("run"))
_OF_NIGHTS = (
    select(_R.id, _R.night)
    .outerjoin(m.run_series, _T.run_id == _R.id)
    .where(_R.rig_id == bindparam("rig"), _R.night != "")
    .where(_R.night >= bindparam("since"), _R.night <= bindparam("until"))
    .order_by(_R.night)
)
_POINTS, _SWEEPS = _OF_NIGHTS.add_columns(_T.points), _OF_NIGHTS.add_columns(_T.sweeps)
_DROP = delete(m.run_series).where(_T.run_id == bindparam("run"))
_SUMS = select(m.run_sum).where(m.run_sum.c.run_id == bindparam("run"))
_OF_SUM = tuple(field.name for field in fields(RunSum))


def dated_runs(connection: Connection, selection: Selection) -> Iterator[OneRun]:
    """Load the dated runs of a selection by rig and night."""
    query = (
        select(_R.id, _R.night, _R.rig_id, m.rig.c.name, m.run_series)
        .join(m.rig, m.rig.c.id == _R.rig_id)
        .outerjoin(m.run_series, _T.run_id == _R.id)
        .where(_R.night != "", *of_runs(selection))
        .order_by(m.rig.c.name, _R.rig_id, _R.night)
    )
    for row in connection.execute(query):
        said = None if row.run_id is None else _read(row)
        yield OneRun(row.id, row.night, row.rig_id, row.name, said)


def dated_points(
    connection: Connection, rig_id: int, since: str, until: str, kinds: Collection[str]
) -> Iterator[tuple[int, str, RunPoints | None]]:
    """Load id, night and points of some kinds of a rig's runs: most of a year is of others."""
    asked = {"rig": rig_id, "since": since, "until": until}
    for run_id, night, points in connection.execute(_POINTS, asked):
        said = None
        if points is not None:
            said = RunPoints(tuple(_point(one) for one in points if one[0] in kinds))
        yield run_id, night, said


def dated_sweeps(
    connection: Connection, rig_id: int, since: str, until: str
) -> Iterator[tuple[int, list[FoundFocus] | None]]:
    """Load id and sweeps of a rig's runs of some nights."""
    asked = {"rig": rig_id, "since": since, "until": until}
    for run_id, _, sweeps in connection.execute(_SWEEPS, asked):
        yield run_id, None if sweeps is None else [*map(_sweep, sweeps)]


def get_series(connection: Connection, run_id: int) -> RunSeries | None:
    """Load that of a run."""
    row = connection.execute(_OF_RUN, {"run": run_id}).one_or_none()
    return None if row is None else _read(row)


def put_series(connection: Connection, run_id: int, series: RunSeries) -> None:
    """Store that of a run."""
    connection.execute(_DROP, {"run": run_id})
    connection.execute(insert(m.run_series), {"run_id": run_id, **_written(series)})


def runs_without(connection: Connection) -> list[int]:
    """List the runs to settle that are up to date but for their series."""
    query = select(_R.id).outerjoin(m.run_series, _T.run_id == _R.id).where(_T.run_id.is_(None))
    query = query.where(_R.revision == _R.settled_revision, *my_runs(connection))
    query = query.order_by(_R.night, _R.id)
    return list(connection.execute(query).scalars())


def sums_of_run(connection: Connection, run_id: int) -> list[RunSum]:
    """Load the seconds of a run, by target and filter."""
    rows = connection.execute(_SUMS, {"run": run_id})
    return [RunSum(**{name: row._mapping[name] for name in _OF_SUM}) for row in rows]


def _written(series: RunSeries) -> dict[str, Any]:
    return {
        "points": [[*point.key, *point[1:]] for point in series.points.points],
        "darks": [list(dark) for dark in series.points.darks],
        "sweeps": [asdict(sweep) | {"at_utc": sweep.at_utc.isoformat()} for sweep in series.sweeps],
        "swept": series.swept,
    }


def _read(row: Row[Any]) -> RunSeries:
    points = map(_point, row.points)
    darks = (DarkLevel(*said) for said in row.darks)
    sweeps = tuple(map(_sweep, row.sweeps))
    return RunSeries(RunPoints(tuple(points), tuple(darks)), sweeps, row.swept)


def _point(said: list[Any]) -> RunPoint:
    return RunPoint(Key(*said[:3]), *said[3:])


def _sweep(said: dict[str, Any]) -> FoundFocus:
    return FoundFocus(**said | {"at_utc": datetime.fromisoformat(said["at_utc"])})
