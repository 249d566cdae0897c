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


def undo_0003(connection):
    """Take back what 0003 adds."""
    connection.execute("DROP TABLE run_rows")
    connection.execute("ALTER TABLE frame DROP COLUMN signs")
    connection.execute("ALTER TABLE frame DROP COLUMN readout_doubt")
    connection.execute("UPDATE alembic_version SET version_num = '0002'")


def undo_0002(connection):
    """Take back what 0002 adds."""
    connection.execute("ALTER TABLE frame DROP COLUMN hot_pixels_ppm")
    connection.execute("UPDATE alembic_version SET version_num = '0001'")


TABLES = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")


def test_0002_adds_hot_pixels_and_keeps_every_row(tmp_path):
    """A scanned and marked database of version 0001 keeps its frames, marks and sums."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "--db", database, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    with sqlite3.connect(database) as connection:
        undo_0003(connection)
        undo_0002(connection)
    connection.close()
    before = {table: rows_of(database, table) for table in TABLES}
    assert len(before["frame"]) == 4
    assert len(before["mark"]) == 1
    engine = ready(open_engine(str(database)))
    engine.dispose()
    after = {table: rows_of(database, table) for table in TABLES}
    added = [row.pop("hot_pixels_ppm") for row in after["frame"]]
    rows_added = [(row.pop("signs"), row.pop("readout_doubt")) for row in after["frame"]]
    for row in after["run"]:
        row["revision"] -= 1  # 0003 has every run graded anew
    assert after == before
    assert added == [None] * 4
    assert rows_added == [(None, None)] * 4
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]


def test_0003_drops_verdicts_of_frames_on_themselves(tmp_path):
    """A frame rejected for a glitch by an earlier version is graded anew without it, marks kept.

    Its rows are unknown until it is measured again; then they are looked at.
    """
    database = tmp_path / "night.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "mark", tmp_path / "frames" / "light_0001.fits", "keep")
    glitch = "bands: the level of whole rows jumps by up to 1 ADU"
    with sqlite3.connect(database) as connection:
        undo_0003(connection)
        connection.execute("UPDATE frame SET readout = ?, measured_with = 2", [glitch])
        connection.execute('UPDATE frame SET faults = \'[{"name": "readout"}]\'')
    connection.close()
    before = {table: rows_of(database, table) for table in TABLES}
    assert here(tmp_path, "nights").returncode == 0
    after = {table: rows_of(database, table) for table in TABLES}
    assert [row["content_key"] for row in after["frame"]] == [
        row["content_key"] for row in before["frame"]
    ]
    assert after["mark"] == before["mark"]
    assert [(row["readout"], row["signs"]) for row in after["frame"]] == [(None, None)] * 4
    assert not any("readout" in row["faults"] for row in after["frame"])
    here(tmp_path, "scan", "--remeasure")
    again = rows_of(database, "frame")
    assert [row["signs"] for row in again] == ["{}"] * 4
    assert all(row["measured_with"] >= 3 for row in again)
