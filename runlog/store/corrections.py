"""Corrections a person made: appended, never changed; by content key, so they outlive rows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from runlog.core.corrections.in_force import Said, in_force
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.parts import in_parts
from runlog.store.targets import changes_in_force
from runlog.store.where import where


@dataclass(frozen=True, slots=True)
class Correction:
    """One line of the book of corrections."""

    id: int
    field: str
    value: str
    selection: str
    frames: int
    who: str
    at_utc: datetime
    undoes: int | None
    stands: bool


def said_of(connection: Connection, content_keys: Sequence[str]) -> dict[str, Said]:
    """Load what a person said that bears on some frames, by key."""
    changes = changes_in_force(connection)
    corrections = standing(connection, content_keys)
    return {key: Said(corrections.get(key, {}), changes) for key in content_keys}


def standing(connection: Connection, content_keys: Sequence[str]) -> dict[str, dict[str, str]]:
    """Load the corrections in force: key -> field -> value; of several the last one speaks."""
    c, f = m.correction.c, m.correction_frame.c
    rows: list[Any] = []
    for part in in_parts(content_keys):
        query = (
            select(f.content_key, c.id, c.field, c.value)
            .join(m.correction, c.id == f.correction_id)
            .where(f.content_key.in_(part), c.undoes.is_(None))
        )
        rows += connection.execute(query).all()
    stand = _standing_ids(connection, {row.id for row in rows})
    found: dict[str, dict[str, str]] = {}
    for row in sorted(rows, key=lambda row: row.id):
        if row.id in stand:
            found.setdefault(row.content_key, {})[row.field] = row.value
    return found


def _standing_ids(connection: Connection, ids: set[int]) -> frozenset[int]:
    if not ids:  # the rule: most frames were never corrected
        return frozenset()
    c = m.correction.c
    undoing = connection.execute(select(c.id, c.undoes).where(c.undoes.is_not(None)))
    undoings = [(row.id, row.undoes) for row in undoing]
    return in_force([*undoings, *((number, None) for number in ids)])


def append(connection: Connection, values: Mapping[str, Any], content_keys: Sequence[str]) -> int:
    """Append one correction for some frames; returns its number."""
    row = dict(values) | {"frames": len(content_keys)}
    key = connection.execute(insert(m.correction).values(row)).inserted_primary_key
    assert key is not None
    if content_keys:
        connection.execute(
            insert(m.correction_frame),
            [{"correction_id": key[0], "content_key": k} for k in content_keys],
        )
    return int(key[0])


def book(connection: Connection) -> list[Correction]:
    """List all corrections ever made, oldest first, and whether each still stands."""
    rows = connection.execute(select(m.correction).order_by(m.correction.c.id)).all()
    stand = in_force((row.id, row.undoes) for row in rows)
    return [Correction(**dict(row._mapping), stands=row.id in stand) for row in rows]


def frames_of(connection: Connection, correction_id: int) -> list[int]:
    """List the stored frames a correction was made for."""
    f = m.frame.c
    query = (
        select(f.id)
        .join(m.correction_frame, m.correction_frame.c.content_key == f.content_key)
        .where(m.correction_frame.c.correction_id == correction_id)
        .order_by(f.id)
    )
    return list(connection.execute(query).scalars())


def corrections_of(connection: Connection, selection: Selection) -> set[int]:
    """List the corrections that were made for any of the frames chosen."""
    c = m.correction_frame.c
    query = (
        select(c.correction_id)
        .distinct()
        .join(m.frame, m.frame.c.content_key == c.content_key)
        .where(*where(connection, selection))
    )
    return set(connection.execute(query).scalars())
