"""What a watch warned of and what still holds, for whoever shows a night."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Engine

from runlog.actions.watch_events import FRESH
from runlog.store import watch as store
from runlog.store.engine import reading
from runlog.store.watch import Notice


def warnings_of(engine: Engine, run_id: int, now: datetime | None = None) -> Sequence[Notice]:
    """List what a run, and the machine, were warned of of late and what is not over, oldest first.

    Of a night that is long past there is nothing to warn of any more.
    """
    since = (now or datetime.now(UTC)) - FRESH
    with reading(engine) as connection:
        held = [*store.standing(connection, None), *store.standing(connection, run_id)]
    return sorted((told for told in held if told.at_utc > since), key=lambda told: told.at_utc)
