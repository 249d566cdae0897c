"""Before the first write a file is looked at; what cannot be read is damage, in words."""

import logging
import sqlite3
from contextlib import closing

import pytest
from sqlalchemy import text

from runlog.errors import DamagedError
from runlog.store import sound
from runlog.store.damage import look_at_damage
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready

PAGE = 4096
FRESH_GOAL = (
    "INSERT INTO goal (target, filter, form, value, priority, who, at_utc) "
    "VALUES ('M33', 'L', 'hours', 3, 0, 'mia', '2026-10-10')"
)


@pytest.fixture
def database(tmp_path):
    """A database with today's tables and a goal."""
    engine = open_engine(str(tmp_path / "night.sqlite"))
    ready(engine)
    with writing(engine) as connection:
        connection.execute(text(FRESH_GOAL))
    engine.dispose()
    return tmp_path / "night.sqlite"


def zero_page_of(database, table):
    """Zero the first page of a table, past SQLite."""
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        query = "SELECT rootpage FROM sqlite_master WHERE name = ?"
        (page,) = connection.execute(query, (table,)).fetchone()
    raw = bytearray(database.read_bytes())
    raw[(page - 1) * PAGE : page * PAGE] = bytes(PAGE)
    database.write_bytes(raw)


@pytest.mark.parametrize("whole_bytes", [sound.WHOLE_BYTES, 0])
def test_nothing_is_written_into_a_damaged_file(database, monkeypatch, whole_bytes):
    """Damage in a table of nights refuses a goal before it is written, in small and large files."""
    monkeypatch.setattr(sound, "WHOLE_BYTES", whole_bytes)
    zero_page_of(database, "run")
    before = database.read_bytes()
    engine = open_engine(str(database))
    with pytest.raises(DamagedError), writing(engine) as connection:
        connection.execute(text(FRESH_GOAL))
    engine.dispose()
    assert database.read_bytes() == before


def test_rows_of_every_frame_are_not_looked_at_in_a_large_file(database, monkeypatch):
    """Writing into a large file does not read through its star lists first."""
    zero_page_of(database, "star_list")
    for whole_bytes, refused in ((0, False), (sound.WHOLE_BYTES, True)):
        monkeypatch.setattr(sound, "WHOLE_BYTES", whole_bytes)
        engine = open_engine(str(database))
        try:
            with writing(engine) as connection:
                connection.execute(text(FRESH_GOAL))
            assert not refused
        except DamagedError:
            assert refused
        engine.dispose()


def test_words_on_damage_that_cannot_be_read(database):
    """SQLite repeats damaged bytes in its words; they are no UTF-8, and no reason to fail."""
    raw = database.read_bytes()
    assert raw.count(b"CREATE TABLE goal") == 1
    database.write_bytes(raw.replace(b"CREATE TABLE goal", b"CREATE TABLE \xa0oal"[:17], 1))
    engine = open_engine(str(database))
    with pytest.raises(DamagedError, match="damaged"), reading(engine) as connection:
        connection.execute(text("SELECT * FROM goal"))
    engine.dispose()
    assert look_at_damage(database).lines


def test_ctrl_c_while_a_connection_is_closed(database, monkeypatch, caplog):
    """It ends the command as anywhere else, and the library under it logs no traceback."""

    def struck(_):
        raise KeyboardInterrupt

    engine = open_engine(str(database))
    with reading(engine) as connection:
        connection.execute(text("SELECT 1"))
    monkeypatch.setattr(engine.dialect, "do_close", struck)
    with caplog.at_level(logging.DEBUG), pytest.raises(KeyboardInterrupt):
        engine.dispose()
    assert not [record for record in caplog.records if record.exc_info]
