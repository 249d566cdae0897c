"""Open the database for a command: migrated, and settled after a crash."""

from sqlalchemy import Engine

from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import ready


def open_store(database: str, settings: Settings) -> Engine:
    """Open, migrate when behind, and settle the runs that a crash left behind."""
    engine = ready(open_engine(database))
    settle_all(engine, settings)
    return engine
