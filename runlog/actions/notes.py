"""What a person notes of a rig: what was changed on it, and remarks."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, Engine

from runlog.actions.changes import Moves, moves_told
from runlog.actions.evenings import evening as named_evening
from runlog.actions.open import settle_behind
from runlog.actions.own_last import own_last
from runlog.actions.rig_settings import named_rigs
from runlog.config import Settings
from runlog.errors import UsageError
from runlog.store import history
from runlog.store import notes as store
from runlog.store.engine import reading, write
from runlog.store.members import refuse_others_rig
from runlog.store.mine import login
from runlog.store.notes import RigNote
from runlog.store.rig_settings import rigs

Note = RigNote  # as screens know it
LISTED = "runlog note"
NEW_DAY_H = 6  # local time: from here on a note is about the night that comes


@dataclass(frozen=True, slots=True)
class Noted:
    """A note that was taken down or back, and what became of frames by it."""

    note: RigNote
    told: list[str]
    again: bool = False  # what was taken back is in force again


def add_note(
    engine: Engine,
    settings: Settings,
    text: str,
    night: str | None,
    rig: str | None,
    who: str,
    now: datetime,
    *,
    changed: bool = True,
) -> Noted:
    """Note something of a rig; with `changed` its nights from then on are compared apart.

    `now` is local time: without a night the one that is going on, or that comes, is meant.
    """
    words = " ".join(text.split())
    if not words:
        raise UsageError("A note needs words", cure='As in: runlog note "collimated"')

    def work(connection: Connection) -> int:
        evening = named_evening(connection, night) if night else night_at(now)
        rig_id = _one_rig(connection, rig)
        refuse_others_rig(connection, rig_id, rigs(connection)[rig_id])
        at_utc = now.astimezone(UTC)
        number = store.append(connection, rig_id, evening, words, who, at_utc, changed=changed)
        if changed:
            history.touch_around(connection, rig_id, evening)
        return number

    return _settled(engine, settings, work)


def take_back(
    engine: Engine, settings: Settings, number: int | None, who: str, now: datetime
) -> Noted:
    """Take a note out of force, else the last of one's own; of an undoing, bring it back."""

    with reading(engine) as connection:
        book = store.book(connection)
        if number is None:
            line = own_last(book, login(connection), "note", LISTED, "runlog note --undo")
        else:
            line = _numbered(book, number)

    def work(connection: Connection) -> int:
        refuse_others_rig(connection, line.rig_id, line.rig)
        note = store.append(
            connection, line.rig_id, line.night, line.text, who, now.astimezone(UTC),
            changed=line.changed, undoes=line.id,
        )  # fmt: skip
        if line.changed:
            history.touch_around(connection, line.rig_id, line.night)
        return note

    return replace(_settled(engine, settings, work), again=line.undoes is not None)


def notes_book(engine: Engine) -> list[RigNote]:
    """List all notes ever made, oldest first."""
    with reading(engine) as connection:
        return store.book(connection)


def night_at(now: datetime) -> str:
    """Name the night that a note is about: the one going on, by day the one that comes."""
    return (now.date() - timedelta(days=now.hour < NEW_DAY_H)).isoformat()


def _settled(engine: Engine, settings: Settings, work: Callable[[Connection], int]) -> Noted:
    number = write(engine, work, "the note is stored")
    moves = Moves(own=())
    settle_behind(engine, settings, moves=moves)
    note = next(line for line in notes_book(engine) if line.id == number)
    return Noted(note, moves_told(engine, moves))


def _one_rig(connection: Connection, name: str | None) -> int:
    known = rigs(connection)
    exact = [rig_id for rig_id, rig in known.items() if rig == name]
    if exact:
        return exact[0]
    chosen = named_rigs(known, name)
    if len(chosen) > 1:
        cure = f"Name one with --rig: {'; '.join(sorted(chosen.values()))}"
        raise UsageError(
            "There are several rigs" if name is None else f"{name!r} may mean several rigs",
            cure=cure,
        )
    return next(iter(chosen))


def _numbered(book: list[RigNote], number: int) -> RigNote:
    found = next((line for line in book if line.stands and line.id == number), None)
    if found is None:
        raise UsageError(f"No note in force has the number {number}", cure=f"See: {LISTED}")
    return found


@dataclass(frozen=True, slots=True)
class NoteStep:
    """A note that was made, or taken back: what undoes it, and in words."""

    note_id: int  # to be taken back
    settings: Settings
    words: str
    done: bool = True


def note_rig(
    engine: Engine, settings: Settings, rig: str, night: str, text: str, who: str, changed: bool
) -> NoteStep:
    """Note something of a rig; returns a step that can be taken back."""
    now = datetime.now().astimezone()
    done = add_note(engine, settings, text, night, rig, who, now, changed=changed)
    note = done.note
    told = "; ".join((f"Noted from {note.night} on: {note.text}", *done.told))
    return NoteStep(note.id, settings, told)


def undo_note(engine: Engine, step: NoteStep, who: str) -> NoteStep:
    """Take a note back; the step it returns brings it back."""
    now = datetime.now().astimezone()
    note = take_back(engine, step.settings, step.note_id, who, now).note
    return NoteStep(note.id, step.settings, f"note of {note.night}: {note.text}")
