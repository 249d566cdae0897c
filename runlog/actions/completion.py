"""Names that are stored, for the shell to offer: read as they lie, and nothing is migrated."""

from collections.abc import Callable, Iterable, Mapping

from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from runlog.actions.names import all_targets
from runlog.core.night_words import DAYS, OTHER_WORDS
from runlog.errors import RunlogError
from runlog.store.choose import rigs
from runlog.store.engine import open_engine, reading, require_there
from runlog.store.totals import filters_seen, nights_seen


def _nights(connection: Connection) -> list[str]:
    return [*nights_seen(connection), *OTHER_WORDS, *DAYS]


KNOWN: Mapping[str, Callable[[Connection], Iterable[str]]] = {
    "targets": lambda connection: sorted(all_targets(connection)),
    "filters": lambda connection: sorted(filters_seen(connection)),
    "rigs": lambda connection: sorted({rig.name for rig in rigs(connection)}),
    "nights": _nights,
}


def known(database: str, what: str) -> list[str]:
    """List names of a kind; none where the database is not there or of another version.

    A person in the middle of a line can be told nothing: the command itself says what is wrong.
    """
    try:
        require_there(database)
        engine = open_engine(database)
    except RunlogError:
        return []
    try:
        with reading(engine) as connection:
            return [name for name in KNOWN[what](connection) if name.isprintable()]
    except (RunlogError, SQLAlchemyError):
        return []
    finally:
        engine.dispose()
