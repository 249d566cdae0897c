"""Bring a database to this version's tables; alembic is imported only when it is behind."""

from collections.abc import Callable
from contextlib import ExitStack
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from runlog.errors import RightsError, StoreError
from runlog.shipped import shipped
from runlog.store.backup import backed_up
from runlog.store.engine import reading, write
from runlog.store.permits import quoted
from runlog.store.trouble import where

FILLING = "filling "  # before the version of the tables while a copy goes in


@cache
def known_revisions() -> tuple[str, ...]:
    """List the numbered migrations this installation has, oldest first."""
    folder = shipped("migrations") / "versions"
    return tuple(sorted(path.name.split("_")[0] for path in folder.glob("[0-9]*_*.py")))


def stored_revision(connection: Connection) -> str | None:
    """Read the version of a database with plain SQL; None when it has no tables yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def ready(engine: Engine, tell: Callable[[str], None] = lambda _: None) -> Engine:
    """Migrate when behind, refuse when newer, and hand the engine back.

    `tell` hears where the copy lies that was made of an SQLite database before.
    """
    with reading(engine) as connection:
        behind = _is_behind(connection)
        if behind:
            _refuse_others(connection)
    if behind:
        with ExitStack() as held:  # until all is committed
            copy = write(engine, lambda connection: _migrate(connection, held))
        if copy is not None:
            tell(f"The tables were brought up to date; the database as it was: {copy}")
    return engine


def _migrate(connection: Connection, held: ExitStack) -> Path | None:
    """Migrate, unless another did while we waited to write; gives where the old tables lie."""
    if not _is_behind(connection):
        return None
    stored = stored_revision(connection)
    if stored is None:
        upgrade(connection)
        return None
    copy = held.enter_context(backed_up(connection.engine, stored))
    upgrade(connection)
    return copy


def _is_behind(connection: Connection) -> bool:
    """Tell whether tables are to be made or changed; refuses those that are not ours to change."""
    stored = stored_revision(connection)
    if stored == known_revisions()[-1]:
        return False
    _refuse_newer(stored, connection.engine)
    if stored is None:
        _refuse_strange(connection)
    return True


def _refuse_newer(stored: str | None, engine: Engine) -> None:
    if stored is None or stored in known_revisions():
        return
    if stored.startswith(FILLING):
        raise StoreError(
            "This database is half filled: a copy into it has not ended",
            where(engine),
            "Finish it with the command that began it, runlog --db FROM copy THIS_ONE; what is "
            "there already is not copied again",
        )
    raise StoreError(
        f"This database was made by a newer runlog (version {stored} of its tables, "
        f"this runlog knows up to {known_revisions()[-1]})",
        where(engine),
        "Update runlog: python -m pip install --upgrade runlog. Nothing was changed",
    )


def _refuse_strange(connection: Connection) -> None:
    """Keep our tables out of a place that some other program lives in."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return
    raise StoreError(
        f"This database belongs to another program (it has a table '{tables[0]}')",
        where(connection.engine),
        "Name another database with --db. Nothing was changed",
    )


def upgrade(connection: Connection, to: str = "head") -> None:
    """Run the missing migrations inside the caller's transaction: all of them or none."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(shipped("migrations")).replace("%", "%%"))
    config.attributes["connection"] = connection
    _as_owner(connection)
    command.upgrade(config, to)


def _refuse_others(connection: Connection) -> None:
    """Leave tables as they are to those whose they are: on a server one login may change them."""
    if connection.dialect.name != "postgresql":
        return
    found = connection.execute(_OWNED).one_or_none()
    if found is None or found.mine:
        return
    stored, known = stored_revision(connection), known_revisions()[-1]
    raise RightsError(
        f"This database is of an older runlog (version {stored} of its tables, this runlog wants "
        f"{known}), and only its keeper may bring it up to date",
        where(connection.engine),
        f"Ask {found.tableowner} to run this version of runlog on it, as by runlog check. Nothing "
        "was changed",
    )


_OWNED = text(
    "SELECT tableowner, pg_has_role(tableowner, 'USAGE') AS mine FROM pg_tables "
    "WHERE schemaname = current_schema() AND tablename = 'alembic_version'"
)


def _as_owner(connection: Connection) -> None:
    """Make new tables belong to whom the others do: several logins may have that role."""
    if connection.dialect.name != "postgresql":
        return
    owner = connection.execute(_OWNER).scalar()
    if owner is not None:
        connection.exec_driver_sql(f"SET LOCAL ROLE {quoted(connection, owner)}")


_OWNER = text(
    "SELECT tableowner FROM pg_tables WHERE schemaname = current_schema() "
    "AND tablename = 'alembic_version' AND tableowner <> current_user"
)
