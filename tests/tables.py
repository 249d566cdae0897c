"""New SQLite databases with the tables that the migrations made once: quicker, and the same."""

import sqlite3
from functools import cache

from sqlalchemy import Connection

from runlog.store import migrate
from runlog.store.engine import open_engine, writing

from_empty = migrate.upgrade


def upgrade(connection: Connection, to: str = "head") -> None:
    """Do what the migrations do; an SQLite database without tables gets theirs as they stand."""
    new = connection.dialect.name == "sqlite" and migrate.stored_revision(connection) is None
    if not new or to != "head":
        from_empty(connection, to)
        return
    for statement in _statements():
        connection.exec_driver_sql(statement)


@cache
def _statements() -> tuple[str, ...]:
    """Migrate an empty database; gives what makes another one like it."""
    engine = open_engine("sqlite:///:memory:")
    with writing(engine) as connection:
        from_empty(connection)
        made = "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid"
        tables = connection.exec_driver_sql(made).scalars().all()
        opened = connection.connection.dbapi_connection
        assert isinstance(opened, sqlite3.Connection)
        filled = [s for s in opened.iterdump() if s.startswith("INSERT")]
    engine.dispose()
    return (*tables, *filled)
