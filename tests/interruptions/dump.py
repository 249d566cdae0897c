"""What a database means: its rows without numbers that only tell their order, or when."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, Engine, Table, inspect, select

from runlog.store import models as m
from runlog.store.engine import open_engine, reading

# A person's own words, held against a model of their own.
BOOKS = ("mark", "correction", "target_change", "goal", "rig_note", "rig_settings")
BESIDE_BOOKS = ("correction_frame",)
# Row numbers and their digest, counts of rewriting and moments of reading.
UNTOLD = {
    *("id", "revision", "settled_revision", "heard_revision", "shown"),
    *("read_at_utc", "scanned_at_utc"),
}
KNOWN_BY = {
    "rig": ("key",),
    "run": ("night", "rig_id"),
    "frame": ("content_key",),
    "header": ("frame_id", "digest"),
    "root": ("origin",),
}

Meaning = Mapping[str, list[tuple[Any, ...]]]
Row = dict[str, Any]


def meaning(database: str) -> Meaning:
    """Write a database out, table by table; nothing of it is settled or migrated."""
    engine = open_engine(database)
    try:
        return _written(engine)
    finally:
        engine.dispose()


def _written(engine: Engine) -> Meaning:
    with reading(engine) as connection:
        known = {name: _names(connection, m.metadata.tables[name]) for name in KNOWN_BY}
        tables = [t for t in m.metadata.sorted_tables if t.name not in (*BOOKS, *BESIDE_BOOKS)]
        return {table.name: _rows(connection, table, known) for table in tables}


def _names(connection: Connection, table: Table) -> dict[int, tuple[Any, ...]]:
    """Give what each row of a table is known by; what points elsewhere is followed."""
    columns = [_followed(connection, table, name) for name in KNOWN_BY[table.name]]
    rows = connection.execute(select(table)).mappings()
    return {row["id"]: tuple(follow(row) for follow in columns) for row in rows}


def _followed(connection: Connection, table: Table, name: str) -> Any:
    keys = list(table.c[name].foreign_keys)
    if not keys:
        return lambda row: row[name]
    there = _names(connection, keys[0].column.table)
    return lambda row: there.get(row[name])


def _rows(
    connection: Connection, table: Table, known: Mapping[str, Mapping[int, Any]]
) -> list[tuple[Any, ...]]:
    columns = [column for column in table.c if column.name not in UNTOLD]
    refers = {c.name: known[k.column.table.name] for c in columns for k in c.foreign_keys}
    found = []
    for row in connection.execute(select(table)).mappings():
        values = ((c.name, row[c.name]) for c in columns)
        found.append(tuple((n, refers[n].get(v) if n in refers else v) for n, v in values))
    return sorted(found, key=repr)


def difference(wanted: Meaning, found: Meaning) -> str:
    """Say where two databases mean different things; "" where they do not."""
    unlike = [name for name in wanted if wanted[name] != found[name]]
    return "; ".join(f"{name}: {_unlike(wanted[name], found[name])}" for name in unlike)


def _unlike(wanted: list[tuple[Any, ...]], found: list[tuple[Any, ...]]) -> str:
    if len(wanted) != len(found):
        return f"{len(found)} rows, not {len(wanted)}"
    pairs = ((w, f) for one, other in zip(wanted, found, strict=True)
             for w, f in zip(one, other, strict=True))  # fmt: skip
    return ", ".join(f"{w[0]} {f[1]!r:.60}, not {w[1]!r:.60}" for w, f in _few(pairs))


def _few(pairs: Iterable[tuple[Any, Any]]) -> list[tuple[Any, Any]]:
    return [pair for pair in pairs if pair[0] != pair[1]][:3]


def books(database: str) -> dict[str, list[Row]]:
    """Read the books of a database of any version, as they lie there."""
    engine = open_engine(database)
    try:
        with reading(engine) as connection:
            there = set(inspect(connection).get_table_names())
            wanted = (*BOOKS, *BESIDE_BOOKS)
            return {name: _book(connection, name) if name in there else [] for name in wanted}
    finally:
        engine.dispose()


def _book(connection: Connection, name: str) -> list[Row]:
    rows = connection.exec_driver_sql(f"SELECT * FROM {name}").mappings()  # nosec B608
    return sorted((dict(row) for row in rows), key=lambda row: list(map(str, _first(row))))


def _first(row: Row) -> list[Any]:
    return [f"{row['id']:09d}"] if "id" in row else [row["correction_id"], row["content_key"]]


def rows_of(database: str, query: str) -> list[Any]:
    """Ask a database of any version in plain SQL."""
    engine = open_engine(database)
    try:
        with reading(engine) as connection:
            return list(connection.exec_driver_sql(query).all())
    finally:
        engine.dispose()


def integrity(database: str) -> str:
    """Ask SQLite whether a file is whole; a server looks after its own."""
    if "://" in database:
        return "ok"
    return str(rows_of(database, "PRAGMA integrity_check")[0][0])
