"""Runs, a line each, from the sums."""

from typing import Any

from sqlalchemy import Engine, Row

from runlog.core.selection import EVERYTHING, Selection
from runlog.store import notes
from runlog.store import totals as total_store
from runlog.store.engine import reading

SUM_KEYS = "night rig frames logged_s kept_s doubtful_s rejected_s ungraded_s".split()
NIGHT_KEYS = [*SUM_KEYS, "noted"]


def night_rows(
    engine: Engine, selection: Selection = EVERYTHING, *, with_source: bool = True
) -> list[dict[str, Any]]:
    """List the runs of the frames chosen, newest first, with the keys of `runlog.nights/1`.

    What a night's noon was taken from costs a look at every frame, and is left out when not asked.
    """
    with reading(engine) as connection:
        runs = total_store.runs_with_sums(connection, selection)
        noted = notes.by_night(connection)
        sources = total_store.night_sources(connection) if with_source else {}
    return [
        {key: _value(run, key) for key in SUM_KEYS}
        | {"night": run.night or None, "night_from": sources.get(run.id)}
        | {"noted": noted.get((run.rig, run.night), [])}
        for run in runs
    ]


def _value(run: Row[*tuple[Any, ...]], key: str) -> Any:
    """Give a value of a run; of one that counts no frame plain zeros, on every kind of database."""
    return 0 if key.endswith("_s") and not run.frames else getattr(run, key)
