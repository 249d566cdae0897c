"""Draw a club's archive on a server: the settled nights of one rig, over and over for all rigs.

The nights of `tests.bench.large` are settled for real, copied by `runlog copy`, and then repeated
by the server itself: each rig has its own camera, content keys, folders and seconds.
"""

import hashlib
import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import psycopg
from psycopg import sql
from sqlalchemy import make_url

from runlog.machine import this_machine

HERE = 500  # frames of each rig that have a real file
BLOCK = b"SIMPLE  =                    T".ljust(2880)
APART_S = 11  # no two rigs begin at the same moment
KEYS = {"content_key", "matched_to", "best_of_name", "depth_base", "base", "other", "digest"}
NUMBERS = {"run_id", "frame_id", "header_id"}
TABLES = (
    "run frame header star_list run_sum run_summary run_depth run_light light_tie run_rows "
    "run_shots run_sky run_series"
).split()
Connection: TypeAlias = "psycopg.Connection[tuple[Any, ...]]"


def connect(url: str) -> Connection:
    """Connect to a drawn database without the program."""
    there = make_url(url).set(drivername="postgresql")
    return psycopg.connect(there.render_as_string(hide_password=False), autocommit=True)


def camera_of(rig: int) -> str:
    """Name the camera of a rig, counted from 0."""
    return f"MonoCam {100 + rig}"


def key_of(key: str, rig: int) -> str:
    """Give a frame's content key on another rig, as the server does."""
    return hashlib.md5(f"{key}/{rig}".encode(), usedforsecurity=False).hexdigest()


def repeat(url: str, rigs: int, home: Path) -> None:
    """Repeat the one rig's nights for so many, each row beside the other rigs' of its night."""
    with connect(url) as connection:
        _settings(connection)
        for table in (*TABLES, "file"):
            connection.execute(f"CREATE TABLE one_{table} AS SELECT * FROM {table}")
        connection.execute(f"TRUNCATE {', '.join(TABLES)}, file, mount, root, rig CASCADE")
        _rigs(connection, rigs, home)
        for table in TABLES:
            _repeat_table(connection, table, rigs)
        _files(connection, rigs)
        _rekey(connection, "run", "zeros", _rekeyed_zeros, rigs)
        _rekey(connection, "run_summary", "lights", _rekeyed_lights, rigs)
        for table in (*TABLES, "file"):
            connection.execute(f"DROP TABLE one_{table}")
        for table in ("run", "frame", "header", "file", "run_shots", "rig", "root"):
            last = f"(SELECT max(id) FROM {table})"
            connection.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {last})")
        connection.execute("VACUUM ANALYZE")


def _settings(connection: Connection) -> None:
    for setting in ("work_mem = '256MB'", "maintenance_work_mem = '256MB'"):
        connection.execute(f"SET {setting}")


def _rigs(connection: Connection, rigs: int, home: Path) -> None:
    for rig in range(rigs):
        name = camera_of(rig)
        key = f"ladybird90/540|{name.replace(' ', '').lower()}|540|4.8"
        values = (rig + 1, key, f"Ladybird 90/540 + {name}", name, "Ladybird 90/540", 540.0, 4.8)
        connection.execute("INSERT INTO rig VALUES (%s, %s, %s, %s, %s, %s, %s)", values)
        for place, root_id in (("here", rig + 1), ("archive", rigs + rig + 1)):
            folder = os.fsencode(home / place / f"rig {rig}")
            root = (root_id, f"{place} {rig}", folder)
            connection.execute("INSERT INTO root VALUES (%s, %s, %s, now())", root)
            mount = (root_id, this_machine(), folder)
            connection.execute("INSERT INTO mount VALUES (%s, %s, %s, false)", mount)


def _repeat_table(connection: Connection, table: str, rigs: int) -> None:
    columns = [
        c.name for c in connection.execute(f"SELECT * FROM {table} LIMIT 0").description or ()
    ]
    values = [_value(table, name, rigs) for name in columns]
    order = next(n for n in ("id", "frame_id", "run_id", "base") if n in columns)
    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    query = sql.SQL("INSERT INTO {} ({}) SELECT {} FROM {} one, generate_series(0, {}) rig").format(
        sql.Identifier(table), names, sql.SQL(", ").join(values),
        sql.Identifier(f"one_{table}"), sql.Literal(rigs - 1),
    )  # fmt: skip
    connection.execute(query + sql.SQL(" ORDER BY one.{}, rig").format(sql.Identifier(order)))


def _value(table: str, name: str, rigs: int) -> sql.Composable:
    column = sql.SQL("one.{}").format(sql.Identifier(name))
    if name == "id" or name in NUMBERS:
        return sql.SQL("({} - 1) * {} + rig + 1").format(column, sql.Literal(rigs))
    if name == "rig_id":
        return sql.SQL("rig + 1")
    if name == "camera_key":
        return sql.SQL("'monocam' || (100 + rig)")
    if name in KEYS:
        return sql.SQL("md5({} || '/' || rig)").format(column)
    if name == "taken_at_utc" and table == "frame":
        late = sql.SQL("{} + rig * interval '{} seconds'")
        return late.format(column, sql.Literal(APART_S))
    return column


def _files(connection: Connection, rigs: int) -> None:
    """Give each frame a file: first those that are there, then an archive's."""
    connection.execute(
        f"""INSERT INTO file (id, root_id, path, size, mtime_ns, header_id, error, missing,
            read_at_utc)
        SELECT (one.id - 1) * {rigs} + rig + 1,
            CASE WHEN one.id <= {HERE} THEN 1 ELSE {rigs} + 1 END + rig,
            convert_to('night ' || (one.id / 100) || '/' || one.id || '.fits', 'UTF8'),
            {len(BLOCK)}, one.id::bigint * 1000000000, (one.header_id - 1) * {rigs} + rig + 1,
            NULL, false, one.read_at_utc
        FROM one_file one, generate_series(0, {rigs - 1}) rig
        WHERE one.header_id IS NOT NULL ORDER BY one.id, rig"""
    )


def _rekey(
    connection: Connection, table: str, column: str, anew: Callable[[Any, int], Any], rigs: int
) -> None:
    """Put each rig's own content keys into a column that holds some among other things."""
    number = "id" if table == "run" else "run_id"
    rows = connection.execute(f"SELECT ctid::text, {number}, {column} FROM {table}").fetchall()
    changed = [(anew(said, (n - 1) % rigs), at) for at, n, said in rows]
    changed = [(said, at) for said, at in changed if said is not None]
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute("CREATE TEMP TABLE anew (said text, at tid) ON COMMIT DROP")
        with cursor.copy("COPY anew FROM STDIN") as copy:
            for row in changed:
                copy.write_row(row)
        kind = "text" if table == "run" else "json"
        change = f"UPDATE {table} SET {column} = anew.said::{kind} FROM anew"
        cursor.execute(f"{change} WHERE {table}.ctid = anew.at")


def _rekeyed_zeros(said: str, rig: int) -> str | None:
    pairs = [one.split(":") for one in said.split()]
    return " ".join(sorted(f"{key_of(key, rig)}:{level}" for key, level in pairs)) or None


def _rekeyed_lights(said: Sequence[dict[str, Any]], rig: int) -> str | None:
    keys = ("reference", "matched_to", "base")
    found = [
        {name: key_of(v, rig) if name in keys and v else v for name, v in one.items()}
        for one in said
    ]
    return json.dumps(found) if found else None


def write_here(home: Path, rigs: int) -> int:
    """Write the files that are there; a scan that finds them unchanged only looks at them."""
    for rig in range(rigs):
        for number in range(1, HERE + 1):
            path = home / "here" / f"rig {rig}" / f"night {number // 100}" / f"{number}.fits"
            if not path.exists():
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(BLOCK)
                os.utime(path, ns=(number * 10**9, number * 10**9))
    return rigs * HERE
