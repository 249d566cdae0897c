"""Bring a database to this version's tables; alembic is imported only when it is behind."""

from functools import cache

from sqlalchemy import Connection, Engine, inspect, text

from runlog.errors import StoreError
from runlog.shipped import shipped
from runlog.store.engine import reading, where, writing


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


def ready(engine: Engine) -> Engine:
    """Migrate when behind, refuse when newer, and hand the engine back."""
    with reading(engine) as connection:
        stored = stored_revision(connection)
    if stored == known_revisions()[-1]:
        return engine
    _refuse_newer(stored, engine)
    _refuse_strange(stored, engine)
    with writing(engine) as connection:
        upgrade(connection)
    return engine


def _refuse_newer(stored: str | None, engine: Engine) -> None:
    if stored is None or stored in known_revisions():
        return
    raise StoreError(
        f"This database was made by a newer runlog (version {stored} of its tables, "
        f"this runlog knows up to {known_revisions()[-1]})",
        where(engine),
        "Update runlog: python -m pip install --upgrade runlog. Nothing was changed",
    )


def _refuse_strange(stored: str | None, engine: Engine) -> None:
    """Keep our tables out of a file that some other program lives in."""
    if stored is not None or engine.dialect.name != "sqlite":
        return
    with reading(engine) as connection:
        tables = inspect(connection).get_table_names()
    if tables:
        raise StoreError(
            f"This database belongs to another program (it has a table '{tables[0]}')",
            where(engine),
            "Name another file with --db FILE. Nothing was changed",
        )


def upgrade(connection: Connection) -> None:
    """Run the missing migrations inside the caller's transaction: all of them or none."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(shipped("migrations")).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
