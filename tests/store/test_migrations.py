"""Each migration carries real rows across."""

import sqlite3

from runlog.store.engine import open_engine
from runlog.store.migrate import known_revisions, ready
from tests.tools import here, scan_into, write_run


def rows_of(database, table, columns="*"):
    """Read a table as it lies in the file."""
    with sqlite3.connect(database) as connection:
        connection.row_factory = sqlite3.Row
        query = f"SELECT {columns} FROM {table} ORDER BY rowid"
        return [dict(row) for row in connection.execute(query)]


def test_0002_adds_hot_pixels_and_keeps_every_row(tmp_path):
    """A scanned and marked database of version 0001 keeps its frames, marks and sums."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "--db", database, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    with sqlite3.connect(database) as connection:
        connection.execute("ALTER TABLE frame DROP COLUMN streaks_seen")  # of 0007
        connection.execute("ALTER TABLE frame DROP COLUMN hot_pixels_ppm")
        connection.execute("UPDATE alembic_version SET version_num = '0001'")
    connection.close()
    tables = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")
    before = {table: rows_of(database, table) for table in tables}
    assert len(before["frame"]) == 4
    assert len(before["mark"]) == 1
    engine = ready(open_engine(str(database)))
    engine.dispose()
    after = {table: rows_of(database, table) for table in tables}
    added = [row.pop("hot_pixels_ppm") for row in after["frame"]]
    assert [row.pop("streaks_seen") for row in after["frame"]] == [None] * 4
    assert after == before
    assert added == [None] * 4
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]


def test_0007_keeps_the_streaks_that_were_seen(tmp_path):
    """Streaks of a database of before are those seen, and stay published; none is no list."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 3)
    scan_into(database, tmp_path / "frames")
    with sqlite3.connect(database) as connection:
        connection.execute("ALTER TABLE frame DROP COLUMN streaks_seen")
        connection.execute("UPDATE frame SET streaks = '[[1.0, 2.0, 30.5, 40.0]]' WHERE id = 2")
        connection.execute("UPDATE frame SET streaks = NULL WHERE id = 3")
        connection.execute("UPDATE alembic_version SET version_num = '0002'")
    connection.close()
    before = rows_of(database, "frame")
    engine = ready(open_engine(str(database)))
    engine.dispose()
    after = rows_of(database, "frame")
    assert [row.pop("streaks_seen") for row in after] == [None, "[[1.0, 2.0, 30.5, 40.0]]", None]
    assert after == before
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]
