"""Frames that tell of a rig's focus and of its axis; the aperture its headers name."""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, func, select

from runlog.core.frame import Card, Frame, Grade, Kind
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store import notes
from runlog.store.headers import unpack_cards
from runlog.store.loading import IN_LISTS
from runlog.store.where import lights, where


def focus_frames(connection: Connection, selection: Selection) -> list[Frame]:
    """Load frames taken for focusing that tell where the focuser stood."""
    f = m.frame.c
    query = IN_LISTS.query.where(f.kind == Kind.FOCUS.value, f.focus_pos.is_not(None))
    query = query.where(*where(connection, selection)).order_by(*m.IN_TIME)
    return IN_LISTS.load(connection, query)


def focus_frames_without_position(connection: Connection, selection: Selection) -> int:
    """Count those that do not."""
    f = m.frame.c
    query = select(func.count()).where(f.kind == Kind.FOCUS.value, f.focus_pos.is_(None))
    query = query.select_from(m.frame).where(*where(connection, selection))
    return int(connection.execute(query).scalar_one())


def lights_in_time(connection: Connection, selection: Selection) -> list[Frame]:
    """Load the lights that count and are not rejected, in the order of time."""
    f = m.frame.c
    query = IN_LISTS.query.where(*lights(), f.grade != Grade.REJECT.value)
    query = query.where(*where(connection, selection)).order_by(*m.IN_TIME)
    return IN_LISTS.load(connection, query)


def lights_beside_sweeps(connection: Connection, selection: Selection) -> list[Frame]:
    """Load such lights of the runs that hold focus frames."""
    f, other = m.frame.c, m.frame.alias().c
    told = select(other.run_id).where(other.kind == Kind.FOCUS.value, other.focus_pos.is_not(None))
    query = IN_LISTS.query.where(*lights(), f.grade != Grade.REJECT.value, f.run_id.in_(told))
    query = query.where(*where(connection, selection)).order_by(*m.IN_TIME)
    return IN_LISTS.load(connection, query)


def changes_by_rig(connection: Connection) -> Mapping[str, Sequence[str]]:
    """Give the nights from which on rigs were others, by their names."""
    found: dict[str, list[str]] = {}
    for note in notes.book(connection):
        if note.speaks and note.changed:
            found.setdefault(note.rig, []).append(note.night)
    return {name: sorted(nights) for name, nights in found.items()}


def cards_of(connection: Connection, frame_id: int) -> Sequence[Card]:
    """Give the cards of the header that speaks for a frame."""
    h = m.header.c
    query = select(h.cards).where(h.frame_id == frame_id, h.speaks.is_(True))
    packed = connection.execute(query).scalar()
    return unpack_cards(packed) if packed else ()
