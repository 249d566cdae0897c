"""Make a database as an earlier version left it: what later revisions added is taken away."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

# What each revision added, in words of SQL that take it away.
UNDO: dict[str, tuple[str, ...]] = {
    "0002": ("ALTER TABLE frame DROP COLUMN hot_pixels_ppm",),
    "0003": (
        "DROP TABLE run_rows",
        "ALTER TABLE frame DROP COLUMN signs",
        "ALTER TABLE frame DROP COLUMN readout_doubt",
    ),
    "0004": (
        "ALTER TABLE frame DROP COLUMN matched_past",
        "ALTER TABLE frame DROP COLUMN best_of_name",
        "ALTER TABLE frame DROP COLUMN field_runs",
    ),
    "0005": ("ALTER TABLE frame DROP COLUMN arcsec_per_px",),
    "0006": ("ALTER TABLE frame DROP COLUMN streaks_seen",),
    "0007": ("DROP TABLE rig_settings",),
    "0008": ("ALTER TABLE frame DROP COLUMN peak_adu",),
    "0010": (
        "ALTER TABLE run DROP COLUMN shown",
        "ALTER TABLE run DROP COLUMN asking",
        *(
            f"DROP INDEX ix_frame_{name}"
            for name in "run target start camera measured_with matched_to corrected lines "
            "unlooked".split()
        ),
        "CREATE INDEX ix_frame_run_id ON frame (run_id)",
        "CREATE INDEX ix_frame_taken_at_utc ON frame (taken_at_utc)",
    ),
}
TABLES = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")

Rows = list[dict[str, Any]]


def rows_of(database: Path, table: str, columns: str = "*") -> Rows:
    """Read a table as it lies in the file."""
    with closing(sqlite3.connect(database)) as connection:
        connection.row_factory = sqlite3.Row
        query = f"SELECT {columns} FROM {table} ORDER BY rowid"
        return [dict(row) for row in connection.execute(query)]


def tables_of(database: Path) -> dict[str, Rows]:
    """Read the tables that hold what a person would miss."""
    return {table: rows_of(database, table) for table in TABLES}


def take_back(database: Path, revision: str, *also: tuple[str, Sequence[Any]]) -> dict[str, Rows]:
    """Bring a database back to a revision, change rows if asked, and read its tables."""
    with closing(sqlite3.connect(database)) as connection:
        for later in sorted(UNDO, reverse=True):
            if later > revision:
                for statement in UNDO[later]:
                    connection.execute(statement)
        connection.execute("UPDATE alembic_version SET version_num = ?", [revision])
        for statement, values in also:
            connection.execute(statement, values)
        connection.commit()
    return tables_of(database)


def as_before(after: dict[str, Rows], before: dict[str, Rows]) -> dict[str, Rows]:
    """Leave out of tables the columns that an earlier version did not have."""
    return {
        table: [{name: row[name] for name in old} for row, old in zip(rows, olds, strict=True)]
        for table, rows in after.items()
        for olds in [before[table]]
    }
