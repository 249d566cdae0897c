"""All rows of one database put into another, and compared: SQLite and PostgreSQL, either way.

A database that is being filled carries a version of its tables that no command takes for its own,
so that half an archive is never read as a whole one.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any

from sqlalchemy import Column, Connection, Engine, Row, Table, func, insert, inspect, select, text

from runlog.errors import StoreError
from runlog.store.engine import reading, write
from runlog.store.migrate import FILLING, known_revisions, stored_revision, upgrade
from runlog.store.models import metadata
from runlog.store.permits import give_all
from runlog.store.trouble import where

BATCH = 500  # rows a transaction: pictures are 40 kB each
Report = Callable[[int, int], None]  # rows done, of how many


@dataclass(frozen=True, slots=True)
class Sum:
    """What two tables must have alike: how many rows, and the sum of their hashes."""

    rows: int = 0
    hashes: int = 0

    def plus(self, row: Sequence[Any]) -> "Sum":
        """Add a row; the order in which rows are added does not matter."""
        return Sum(self.rows + 1, (self.hashes + _hash(row)) % (1 << 128))


def fill(source: Connection, target: Engine, report: Report) -> int:
    """Copy what the target lacks of the source, then compare all; gives the rows there are.

    Raises StoreError where the target holds anything else.
    """
    write(target, _begin)
    tables = metadata.sorted_tables
    counts = {table: _count(source, table) for table in tables}
    done, total = 0, sum(counts.values())
    sums: dict[Table, Sum] = {}
    for table in tables:
        before, sums[table] = done, Sum()
        for done in _copied(source, target, table, before, sums):
            report(done, total)
        done = before + counts[table]
    _compare(target, sums)
    write(target, _end)
    return total


# --- the mark of a database that is being filled ----------------------------------------------


def _begin(connection: Connection) -> None:
    """Make the tables of an empty database and mark them; go on where a copy broke off."""
    stored, mark = stored_revision(connection), _mark()
    if stored == mark:
        return
    if stored is None and not inspect(connection).get_table_names():
        upgrade(connection)
    elif stored != known_revisions()[-1]:
        raise StoreError(
            "This is not an empty database: it has tables of another version or program",
            where(connection.engine),
            "Name an empty one; nothing was changed",
        )
    for table in metadata.sorted_tables:
        if _count(connection, table):
            raise StoreError(
                f"This database is in use already: its table '{table.name}' has rows",
                where(connection.engine),
                "Name an empty one; nothing was changed",
            )
    _set_revision(connection, mark)


def _mark() -> str:
    return f"{FILLING}{known_revisions()[-1]}"


def _end(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        _go_on_counting(connection)
        give_all(connection)
    _set_revision(connection, known_revisions()[-1])


def _set_revision(connection: Connection, revision: str) -> None:
    connection.execute(text("UPDATE alembic_version SET version_num = :to"), {"to": revision})


def _go_on_counting(connection: Connection) -> None:
    """Let a server's counters go on after the numbers that were copied."""
    for table in metadata.sorted_tables:
        key = _number_of(table)
        if key is not None and key is table.autoincrement_column:
            last = connection.execute(select(func.max(key))).scalar()
            counter = func.pg_get_serial_sequence(table.name, key.name)
            connection.execute(select(func.setval(counter, last or 1, last is not None)))


# --- rows -------------------------------------------------------------------------------------


def _count(connection: Connection, table: Table) -> int:
    return connection.execute(select(func.count()).select_from(table)).scalar_one()


def _number_of(table: Table) -> Column[Any] | None:
    """Give the number that rows are told apart by; None where more than one value does."""
    keys = list(table.primary_key.columns)
    return keys[0] if len(keys) == 1 and keys[0].type.python_type is int else None


def _copied(
    source: Connection, target: Engine, table: Table, done: int, sums: dict[Table, Sum]
) -> Iterator[int]:
    """Copy a table in batches by its numbers, else whole; gives the rows done so far.

    What is there already is only summed up.
    """
    there, last = _there(target, table)
    number = _number_of(table)
    query = select(table) if number is None else select(table).order_by(number)
    # A table without numbers is written in one transaction: it is there whole or not at all.
    size = BATCH if number is not None else max(_count(source, table), 1)
    skip_all = number is None and there > 0
    with source.execution_options(yield_per=BATCH).execute(query) as rows:
        for batch in _batches(rows, size):
            for row in batch:
                sums[table] = sums[table].plus(row)
            fresh = [row for row in batch if not skip_all and _is_after(row, number, last)]
            if fresh:
                values = [dict(row._mapping) for row in fresh]
                write(target, partial(_put, table, values))
            done += len(batch)
            yield done


def _there(target: Engine, table: Table) -> tuple[int, int | None]:
    number = _number_of(table)
    with reading(target) as connection:
        last = None
        if number is not None:
            last = connection.execute(select(func.max(number))).scalar()
        return _count(connection, table), last


def _is_after(row: Row[Any], number: Column[Any] | None, last: int | None) -> bool:
    return number is None or last is None or row._mapping[number] > last


def _batches(rows: Iterable[Row[Any]], size: int) -> Iterator[list[Row[Any]]]:
    stream = iter(rows)
    while batch := list(islice(stream, size)):
        yield batch


def _put(table: Table, values: list[dict[str, Any]], connection: Connection) -> None:
    connection.execute(insert(table), values)


# --- comparing --------------------------------------------------------------------------------


def _compare(target: Engine, sums: dict[Table, Sum]) -> None:
    for table, wanted in sums.items():
        found = Sum()
        with reading(target) as connection:
            query = connection.execution_options(yield_per=BATCH).execute(select(table))
            for row in query:
                found = found.plus(row)
        if found != wanted:
            raise StoreError(
                f"The copy is not like the original in its table '{table.name}' "
                f"({found.rows:,} rows, {wanted.rows:,} in the original)",
                where(target),
                "Empty that database, or name another, and copy again; the original is untouched",
            )


def _hash(row: Sequence[Any]) -> int:
    text_of = json.dumps([_plain(value) for value in row], sort_keys=True)
    return int.from_bytes(hashlib.blake2b(text_of.encode(), digest_size=16).digest(), "big")


def _plain(value: Any) -> Any:
    """Write a value as both databases give it."""
    if isinstance(value, bytes | bytearray | memoryview):
        return hashlib.blake2b(bytes(value), digest_size=16).hexdigest()
    return value.isoformat() if hasattr(value, "isoformat") else value
