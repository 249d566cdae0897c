"""Each migration carries real rows across."""

import sqlite3

import pytest

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
        connection.execute("ALTER TABLE frame DROP COLUMN arcsec_per_px")
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
    for row in (*before["frame"], *after["frame"]):
        row.pop("arcsec_per_px", None)
    assert after == before
    assert added == [None] * 4
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]


def test_0006_keeps_the_scale_that_was_known(tmp_path):
    """Frames of version 0002 keep their plate scale: 206.264806 x 3.76 um / 540 mm = 1.43622."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 2)
    write_run(tmp_path / "others", 2, first=2, FOCALLEN=None)
    scan_into(database, tmp_path / "frames")
    scan_into(database, tmp_path / "others")
    here(tmp_path, "--db", database, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    with sqlite3.connect(database) as connection:
        connection.execute("ALTER TABLE frame DROP COLUMN arcsec_per_px")
        connection.execute("UPDATE alembic_version SET version_num = '0002'")
    connection.close()
    tables = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")
    before = {table: rows_of(database, table) for table in tables}
    ready(open_engine(str(database))).dispose()
    after = {table: rows_of(database, table) for table in tables}
    scales = [row.pop("arcsec_per_px") for row in after["frame"]]
    assert after == before
    assert scales == [pytest.approx(1.43622, abs=1e-5)] * 2 + [None] * 2
