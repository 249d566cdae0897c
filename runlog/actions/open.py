"""Open the database for a command: migrated, and settled after a crash."""

from sqlalchemy import Engine

from runlog.config import Settings
from runlog.store.engine import open_engine, reading
from runlog.store.migrate import ready
from runlog.store.runs import dirty_runs


def open_store(database: str, settings: Settings) -> Engine:
    """Open, migrate when behind, and settle the runs that a crash left behind."""
    engine = ready(open_engine(database))
    with reading(engine) as connection:
        behind = bool(dirty_runs(connection))
    if behind:
        # Imported only now: grading brings in numpy and scipy, a second of waiting.
        from runlog.actions.settle import settle_all

        settle_all(engine, settings)
    return engine
