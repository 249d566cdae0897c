"""Each migration carries real rows across."""

import sqlite3

from runlog.actions.open import open_store, settle_behind
from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import known_revisions, ready
from samples.maker.quick import make_run
from tests.tools import here, scan_into, write_run


def rows_of(database, table, columns="*"):
    """Read a table as it lies in the file."""
    with sqlite3.connect(database) as connection:
        connection.row_factory = sqlite3.Row
        query = f"SELECT {columns} FROM {table} ORDER BY rowid"
        return [dict(row) for row in connection.execute(query)]


FIELD_COLUMNS = ("matched_past", "best_of_name", "field_runs")


def drop_columns(connection, names):
    """Take columns away that a later version added."""
    for name in names:
        connection.execute(f"ALTER TABLE frame DROP COLUMN {name}")


def take_away(rows, names):
    """Take the values of some columns out of rows; gives them."""
    return [tuple(row.pop(name) for name in names) for row in rows]


def test_0002_adds_hot_pixels_and_keeps_every_row(tmp_path):
    """A scanned and marked database of version 0001 keeps its frames, marks and sums."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "--db", database, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    with sqlite3.connect(database) as connection:
        connection.execute("ALTER TABLE frame DROP COLUMN hot_pixels_ppm")
        drop_columns(connection, FIELD_COLUMNS)
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
    take_away(after["frame"], FIELD_COLUMNS)
    assert after == before
    assert added == [None] * 4
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]


def test_0004_adds_fields_and_keeps_every_row(tmp_path):
    """Frames matched by name keep places and marks, and are settled again to find their fields."""
    database, frames = tmp_path / "db.sqlite", tmp_path / "frames"
    make_run(frames, frames=4, size=(300, 400))
    scan_into(database, frames)
    here(tmp_path, "--db", database, "mark", sorted(frames.iterdir())[1], "reject")
    found = take_away(rows_of(database, "frame"), FIELD_COLUMNS)
    with sqlite3.connect(database) as connection:
        drop_columns(connection, FIELD_COLUMNS)
        connection.execute("UPDATE alembic_version SET version_num = '0002'")
    connection.close()
    tables = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")
    before = {table: rows_of(database, table) for table in tables}
    assert all(row["matched_to"] and row["throughput"] for row in before["frame"])
    engine = ready(open_engine(str(database)))
    engine.dispose()
    after = {table: rows_of(database, table) for table in tables}
    assert take_away(after["frame"], FIELD_COLUMNS) == [(None,) * 3] * 4
    (revision,) = [row.pop("revision") for row in after["run"]]
    assert revision == before["run"][0].pop("revision") + 1
    assert after == before
    engine = open_store(str(database), Settings())
    settle_behind(engine, Settings())
    engine.dispose()
    settled = rows_of(database, "frame")
    assert take_away(settled, FIELD_COLUMNS) == found
    assert settled == before["frame"]
    assert [row[1:] for row in found] == [(before["frame"][0]["matched_to"], 1)] * 4
