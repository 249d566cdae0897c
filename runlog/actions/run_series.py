"""What runs say to months of their rigs: as stored when they were settled, else reckoned."""

from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine

from runlog.actions.open import Report
from runlog.core.selection import Selection
from runlog.core.trends.of_run import RunPoints
from runlog.core.trends.run_series import RunSeries, series_of_run
from runlog.store import run_series as store
from runlog.store.engine import reading, writing
from runlog.store.history import summaries_of_run
from runlog.store.run_series import OneRun, runs_without
from runlog.store.settling import frames_of_run

if TYPE_CHECKING:  # settling imports this, and needs none of these
    from runlog.core.focus.advice import Advice
    from runlog.core.focus.found import FoundFocus
    from runlog.core.focus.slope import Slope
    from runlog.core.trends.points import Series

AT_ONCE = 20  # runs in one transaction

Dated = tuple[str, RunSeries]  # of a night


def dated_series(
    connection: Connection, selection: Selection
) -> dict[int, tuple[str, list[Dated]]]:
    """Load what the dated runs of a selection say, by rig: its name, and each run by night."""
    rigs: dict[int, tuple[str, list[Dated]]] = {}
    for run in list(store.dated_runs(connection, selection)):
        own = rigs.setdefault(run.rig_id, (run.rig, []))[1]
        own.append((run.night, _series(connection, run)))
    return rigs


def dated_points(
    connection: Connection, rig_id: int, since: str, until: str, kinds: Collection[str]
) -> list[tuple[str, RunPoints]]:
    """Load what a rig's runs of some nights say to some kinds of series, by night."""
    runs = list(store.dated_points(connection, rig_id, since, until, kinds))
    return [
        (night, _reckoned(connection, run_id).points if said is None else said)
        for run_id, night, said in runs
    ]


def series_of(rig: str, runs: Iterable[Dated]) -> "list[Series]":
    """Make all series of a rig."""
    from runlog.core.trends.gathered import gather

    return gather(rig, [(night, said.points) for night, said in runs])


def dated_sweeps(connection: Connection, rig_id: int, since: str, until: str) -> "list[FoundFocus]":
    """Load the sweeps of a rig's runs of some nights that found the focus."""
    runs = list(store.dated_sweeps(connection, rig_id, since, until))
    told = (_reckoned(connection, run_id).sweeps if said is None else said for run_id, said in runs)
    return [sweep for sweeps in told for sweep in sweeps]


def refocusing_of(
    connection: Connection, rig: str, sweeps: "Iterable[FoundFocus]"
) -> "tuple[Advice, Slope]":
    """Say after how many degrees to focus again, by some sweeps of a rig."""
    from runlog.core.focus.advice import refocusing
    from runlog.store.sweeps import changes_by_rig

    return refocusing(list(sweeps), changes_by_rig(connection).get(rig, ()))


def _series(connection: Connection, run: OneRun) -> RunSeries:
    return _reckoned(connection, run.id) if run.series is None else run.series


def _reckoned(connection: Connection, run_id: int) -> RunSeries:
    frames = frames_of_run(connection, run_id)
    sums = store.sums_of_run(connection, run_id)
    return series_of_run(frames, summaries_of_run(connection, run_id), sums)


def fill_in(engine: Engine, report: Report) -> None:
    """Store what those runs say."""
    with reading(engine) as connection:
        lacking = runs_without(connection)
    for start in range(0, len(lacking), AT_ONCE):
        report(start, len(lacking))
        _fill(engine, lacking[start : start + AT_ONCE])
    if lacking:
        report(len(lacking), len(lacking))


def _fill(engine: Engine, run_ids: Sequence[int]) -> None:
    """Within one transaction, so that a run that was settled meanwhile keeps what it then said."""
    with writing(engine) as connection:
        still = set(runs_without(connection))
        for run_id in run_ids:
            if run_id in still:
                store.put_series(connection, run_id, _reckoned(connection, run_id))
