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
    "0009": (
        "DROP TABLE run_summary",
        "DROP TABLE rig_note",
        "DROP TABLE run_before",
        "CREATE TABLE run_usual (run_id INTEGER NOT NULL, filter VARCHAR NOT NULL, "
        "binning INTEGER NOT NULL, fwhm_px FLOAT NOT NULL)",
    ),
    "0010": (
        *(f"DROP TABLE {name}" for name in ("run_depth", "run_light", "light_tie")),
        *(f"ALTER TABLE run_sum DROP COLUMN lack_{w}" for w in ("gain", "zero", "stars", "whole")),
        "ALTER TABLE run_sum ADD COLUMN effective_s FLOAT",
        "ALTER TABLE run DROP COLUMN depth_form",
        "ALTER TABLE frame DROP COLUMN depth_base",
        "ALTER TABLE frame DROP COLUMN light_e_adu",
        "ALTER TABLE frame DROP COLUMN point_s2_adu2",
        "ALTER TABLE frame DROP COLUMN extended_s2_arcsec2_adu2",
        "ALTER TABLE frame DROP COLUMN depth_lacks",
        "ALTER TABLE frame ADD COLUMN effective_s FLOAT",
        "ALTER TABLE frame ADD COLUMN effective_form VARCHAR",
        "CREATE TABLE depth_reference (rig_id INTEGER NOT NULL, target VARCHAR NOT NULL, "
        "filter VARCHAR NOT NULL, content_key VARCHAR(32) NOT NULL, fwhm_arcsec FLOAT NOT NULL, "
        "sky_variance FLOAT NOT NULL, PRIMARY KEY (rig_id, target, filter))",
    ),
    "0011": (
        "CREATE TABLE before (id INTEGER NOT NULL, path BLOB NOT NULL, size BIGINT NOT NULL, "
        "mtime_ns BIGINT NOT NULL, header_id INTEGER, error VARCHAR, missing BOOLEAN NOT NULL, "
        "read_at_utc DATETIME NOT NULL, CONSTRAINT pk_file PRIMARY KEY (id), "
        "CONSTRAINT uq_file_path UNIQUE (path), CONSTRAINT fk_file_header_id_header "
        "FOREIGN KEY(header_id) REFERENCES header (id))",
        "INSERT INTO before SELECT f.id, CAST(a.path || '/' || f.path AS BLOB), f.size, "
        "f.mtime_ns, f.header_id, f.error, f.missing, f.read_at_utc "
        "FROM file f JOIN mount a ON a.root_id = f.root_id",
        "DROP TABLE file",
        "ALTER TABLE before RENAME TO file",
        "CREATE INDEX ix_file_header_id ON file (header_id)",
        "CREATE TABLE before (id INTEGER NOT NULL, path BLOB NOT NULL, "
        "scanned_at_utc DATETIME NOT NULL, CONSTRAINT pk_root PRIMARY KEY (id), "
        "CONSTRAINT uq_root_path UNIQUE (path))",
        "INSERT INTO before SELECT r.id, a.path, r.scanned_at_utc FROM root r "
        "JOIN mount a ON a.root_id = r.id WHERE r.scanned_at_utc IS NOT NULL",
        "DROP TABLE mount",
        "DROP TABLE root",
        "ALTER TABLE before RENAME TO root",
    ),
    "0012": (
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
    "0013": (
        "DROP TABLE run_shots",
        "DROP INDEX ix_frame_matched_to",
        "CREATE INDEX ix_frame_matched_to ON frame (matched_to)",
    ),
    "0014": ("DROP TABLE run_sky",),
    "0015": tuple(f"DROP TABLE watch_{name}" for name in ("look", "state", "told")),
    "0016": ("DROP TABLE run_series",),
    "0017": (
        "DROP TABLE rig_member",
        "DROP TABLE member",
        "DROP INDEX ix_mark_noted",
        "ALTER TABLE mark DROP COLUMN decides",
        "ALTER TABLE goal DROP COLUMN owner",
    ),
    "0018": ("DROP TABLE run_dust",),
    "0019": ("ALTER TABLE run DROP COLUMN heard_revision",),
    "0020": (
        "ALTER TABLE root ADD COLUMN scanned_at_utc DATETIME",
        "UPDATE root SET scanned_at_utc = (SELECT max(scanned_at_utc) FROM mount "
        "WHERE root_id = root.id)",
        "ALTER TABLE root DROP COLUMN login",
        "CREATE TABLE before (root_id INTEGER NOT NULL, machine VARCHAR NOT NULL, "
        "path BLOB NOT NULL, missing BOOLEAN NOT NULL, "
        "CONSTRAINT fk_mount_root_id_root FOREIGN KEY(root_id) REFERENCES root (id), "
        "CONSTRAINT pk_mount PRIMARY KEY (root_id, machine))",
        "INSERT INTO before SELECT root_id, machine, path, missing FROM mount",
        "DROP TABLE mount",
        "ALTER TABLE before RENAME TO mount",
    ),
}
TAKEN_AWAY = {"effective_s", "effective_form"}  # by a later revision, from frames and sums
TABLES = ("frame", "mark", "run", "run_sum", "file", "header", "star_list")

Rows = list[dict[str, Any]]


def rows_of(database: Path, table: str, columns: str = "*") -> Rows:
    """Read a table as it lies in the file."""
    with closing(sqlite3.connect(database)) as connection:
        connection.row_factory = sqlite3.Row
        query = f"SELECT {columns} FROM {table} ORDER BY rowid"
        return [dict(row) for row in connection.execute(query)]


def tables_of(database: Path) -> dict[str, Rows]:
    """Read the tables that hold what a person would miss; of files, where they lie on the disk."""
    tables = {table: rows_of(database, table) for table in TABLES}
    if any("root_id" in file for file in tables["file"]):
        folders = {row["root_id"]: row["path"] for row in rows_of(database, "mount")}
        for file in tables["file"]:
            file["path"] = folders[file["root_id"]] + b"/" + file["path"]
    return tables


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
        table: [
            {name: row[name] for name in old if name in row or name not in TAKEN_AWAY}
            for row, old in zip(rows, olds, strict=True)
        ]
        for table, rows in after.items()
        for olds in [before[table]]
    }
