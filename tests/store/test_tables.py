"""The tables that tests start from are those that the migrations make."""

import sqlite3
from contextlib import closing

from runlog.store.engine import open_engine, writing
from runlog.store.migrate import ready
from tests.tables import from_empty


def held(path):
    """Give all that a database holds: its tables and indexes in order, and its rows."""
    with closing(sqlite3.connect(path)) as connection:
        made = connection.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
        return made, list(connection.iterdump())


def test_they_are_what_migrating_makes(tmp_path):
    """Guards every test that begins with an empty database: none begins with other tables."""
    ready(open_engine(str(tmp_path / "given.sqlite"))).dispose()
    engine = open_engine(str(tmp_path / "migrated.sqlite"))
    with writing(engine) as connection:
        from_empty(connection)
    engine.dispose()
    assert held(tmp_path / "given.sqlite") == held(tmp_path / "migrated.sqlite")
