"""Open the database for a command: migrated, and settled after a crash."""

from collections.abc import Callable

from sqlalchemy import Engine

from runlog import stopping
from runlog.actions.changes import Moves, tell_changes
from runlog.actions.known_roots import know_again
from runlog.actions.rig_settings import tell_differences
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.errors import ReadOnlyError
from runlog.store.damage import refuse_damaged
from runlog.store.engine import WAITING, open_engine, reading, require_there
from runlog.store.migrate import ready
from runlog.store.mine import login
from runlog.store.run_series import runs_without
from runlog.store.runs import dirty_of_others, dirty_runs

Report = Callable[[int, int], None]  # of nights: how many are graded, of how many
Database = Engine  # what commands and screens hand on, without looking into it


def database_file(database: Database) -> str | None:
    """Give the file of a database, so that it can be told whether it is still there."""
    url = database.url
    return url.database or "" if url.get_backend_name() == "sqlite" else None


def login_of(database: Database) -> str | None:
    """Name the login by which a server knows whoever is at work; a file knows none."""
    if database_file(database) is not None:
        return None
    with reading(database) as connection:
        return login(connection)


def open_store(
    database: str,
    settings: Settings,
    *,
    make: bool = True,
    settled: bool = True,
    tell: Callable[[str], None] | None = None,
    report: Report | None = None,
) -> Engine:
    """Open, migrate when behind, and settle the runs that are behind."""
    if not make:
        require_there(database)
    stopping.at_work()
    engine = open_engine(database)
    try:
        hear = tell or (lambda _: None)
        engine.update_execution_options(**{WAITING: tell})
        ready(engine, hear)
        know_again(engine, hear)
        tell_differences(engine, settings, hear)
        if settled:
            _bring_up_to_date(engine, settings, tell, report or silent)
    except BaseException:
        engine.dispose()
        raise
    return engine


def open_read(database: str) -> Engine:
    """Open a database that is open elsewhere, migrated and settled, to read it as it stands."""
    require_there(database)
    return open_engine(database)


def _bring_up_to_date(
    engine: Engine, settings: Settings, tell: Callable[[str], None] | None, report: Report
) -> None:
    """Settle and tell what changed; where nothing may be written, say so and let it be read."""
    try:
        settle_behind(engine, settings, report)
        if tell is not None:  # what nobody hears waits for the next command
            tell_changes(engine, tell)
    except ReadOnlyError:
        with reading(engine) as connection:
            behind = len(dirty_runs(connection))
        if tell is not None and behind:
            tell(
                "The database is read-only here: grades and hours of "
                f"{plural(behind, 'night')} are not up to date and cannot be brought so"
            )
    if tell is not None:
        _tell_of_others(engine, tell)


def _tell_of_others(engine: Engine, tell: Callable[[str], None]) -> None:
    """Say which nights are not up to date that this login may not settle."""
    with reading(engine) as connection:
        behind = dirty_of_others(connection)
    if behind:
        nights = plural(len(behind), "night")
        tell(
            f"Grades and hours of {nights} of rigs that others keep are not up to date: the next "
            "command of those who keep them brings them so"
        )


def refuse_spoilt(database: str) -> None:
    """Raise DamagedError where the file of a database is damaged; else return."""
    engine = open_engine(database)
    try:
        refuse_damaged(engine)
    finally:
        engine.dispose()


def silent(_done: int, _total: int) -> None:
    """Report nothing."""


def settle_behind(
    engine: Engine, settings: Settings, report: Report = silent, moves: Moves | None = None
) -> None:
    """Settle what is not up to date; grading, a second of imports, is loaded only for that."""
    with reading(engine) as connection:
        behind = bool(dirty_runs(connection) or runs_without(connection))
    if behind:
        from runlog.actions.settle import settle_all

        settle_all(engine, settings, report, moves)
