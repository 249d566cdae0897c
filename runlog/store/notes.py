"""What was changed on a rig, in a person's words: appended, never changed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Row, Select, bindparam, insert, select

from runlog.core.corrections.in_force import in_force
from runlog.store import models as m


@dataclass(frozen=True, slots=True)
class RigNote:
    """One line of the book of a rig."""

    id: int
    rig_id: int
    rig: str
    night: str  # ISO date of the evening
    text: str
    changed: bool  # from this night on the rig is held to be another
    who: str
    at_utc: datetime
    undoes: int | None
    stands: bool

    @property
    def speaks(self) -> bool:
        """Tell whether it says something and was not taken back."""
        return self.stands and self.undoes is None


_N = m.rig_note.c
_BOOK = select(m.rig_note, m.rig.c.name.label("rig")).join(m.rig, m.rig.c.id == _N.rig_id)
_ALL = _BOOK.order_by(_N.id)
_OF_RIG = _BOOK.where(_N.rig_id == bindparam("rig")).order_by(_N.id)


def book(connection: Connection) -> list[RigNote]:
    """List all notes ever made, oldest first, and whether each still stands."""
    return _read(connection, _ALL, {})


def standing(connection: Connection, rig_id: int) -> list[RigNote]:
    """List the notes on a rig that were not taken back, by night."""
    found = [note for note in _read(connection, _OF_RIG, {"rig": rig_id}) if note.speaks]
    return sorted(found, key=lambda note: (note.night, note.id))


def changes(connection: Connection, rig_id: int) -> list[str]:
    """List the nights from which on a rig was another one."""
    return [note.night for note in standing(connection, rig_id) if note.changed]


def of_night(connection: Connection, rig_id: int, night: str) -> tuple[str, ...]:
    """Give the words noted of a rig for a night."""
    return tuple(n.text for n in standing(connection, rig_id) if n.night == night)


def by_night(connection: Connection) -> dict[tuple[str, str], list[str]]:
    """Give the words noted, by rig and night."""
    found: dict[tuple[str, str], list[str]] = {}
    for note in book(connection):
        if note.speaks:
            found.setdefault((note.rig, note.night), []).append(note.text)
    return found


def _read(
    connection: Connection, query: Select[tuple[object, ...]], asked: dict[str, int]
) -> list[RigNote]:
    rows: Sequence[Row[tuple[object, ...]]] = connection.execute(query, asked).all()
    stand = in_force((row.id, row.undoes) for row in rows)
    return [RigNote(**row._mapping, stands=row.id in stand) for row in rows]


def append(
    connection: Connection,
    rig_id: int,
    night: str,
    text: str,
    who: str,
    at_utc: datetime,
    *,
    changed: bool,
    undoes: int | None = None,
) -> int:
    """Append a note; gives its number."""
    values = {
        "rig_id": rig_id,
        "night": night,
        "text": text,
        "changed": changed,
        "who": who,
        "at_utc": at_utc,
        "undoes": undoes,
    }
    key = connection.execute(insert(m.rig_note).values(values)).inserted_primary_key
    assert key is not None
    return int(key[0])
