"""Correct what headers say of chosen frames: beside the header, undoable, never in the file."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import replace as replaced
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions.goals import known_filter
from runlog.actions.names import all_targets, meant, target_among
from runlog.actions.open import Report, settle_behind, silent
from runlog.actions.own_last import own_last
from runlog.actions.writer import Arrived, Writer
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.corrections import correction as words
from runlog.core.corrections.correction import Field, RigSaid
from runlog.core.frame import Kind
from runlog.core.header.filters import NO_FILTER, fold_filter
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.targets.names import NO_TARGET
from runlog.errors import RightsError, UsageError
from runlog.ingest.discover import changed_ns
from runlog.ingest.task import LEVELLED, MEASURED, Task, read_file
from runlog.store import corrections as store
from runlog.store.choose import Rows, chosen_frames, rigs
from runlog.store.corrections import Correction
from runlog.store.engine import reading, writing
from runlog.store.frames import path_parts, stamp_of
from runlog.store.listing import paths_of_frames
from runlog.store.members import whose
from runlog.store.mine import frames_of_others, login, my_frames, require_writer
from runlog.store.roots import Roots

UNDO = "undo"
LISTED = "runlog correct --list"
STORED = "the correction is stored"
SHOWN_FRAMES = 20
CHOOSING = (
    "--night, --since, --until, --season, --target, --filter, --rig, --grade, --fault, --kind, "
    "--folder, --pattern, --near"
)


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a correction did, or with a dry run would do."""

    id: int | None
    field: str
    value: str
    frames: int
    examples: tuple[str, ...]
    unread: tuple[str, ...] = ()  # files that could not be measured anew
    of_others: tuple[str, ...] = ()  # how many are of a rig that others keep, and whose it is


def correct(
    engine: Engine,
    settings: Settings,
    field: str,
    text: str,
    selection: Selection,
    who: str,
    *,
    replace: bool = False,
    dry_run: bool = False,
    report: Report = silent,
) -> Corrected:
    """Set a value for the frames chosen, all of them or none."""
    if selection.asks_nothing:
        raise UsageError("No frames are chosen", cure=f"Say which: {CHOOSING}, or name files")
    with reading(engine) as connection:
        rows = _some(chosen_frames(connection, selection))
        require_writer(connection)
        _refuse_others(connection, [row.id for row in rows])
        value = _value(connection, settings, Field(field), text, len(rows))
        _refuse_shift_of_nothing(rows, field, value)
        if not replace:
            _refuse_conflict(connection, rows, field, value)
        of_others = _of_others(connection, [row.id for row in rows])
        done = Corrected(
            None, field, value, len(rows), _examples(connection, rows), of_others=of_others
        )
    if dry_run:
        return done
    line = {"field": field, "value": value, "selection": selection.in_words()}
    with writing(engine, STORED) as connection:
        _refuse_others(connection, [row.id for row in rows])
        keys = sorted({row.content_key for row in rows})
        number = store.append(connection, line | _signed(who), keys)
        Writer(settings).interpret_anew(connection, [row.id for row in rows])
    unread = _measure_anew(engine, settings, rows, value) if field == Field.KIND else ()
    settle_behind(engine, settings, report)
    return replaced(done, id=number, unread=unread)


def _refuse_others(connection: Connection, frame_ids: Sequence[int]) -> None:
    """Refuse to correct frames of a rig that others keep, all of them or none."""
    theirs = len(frame_ids) - len(my_frames(connection, frame_ids))
    if theirs:
        raise RightsError(
            f"{theirs} of {plural(len(frame_ids), 'frame')} are of rigs that others keep; nothing "
            "was changed",
            cure="Choose those of your own with --rig NAME; who keeps which: runlog club",
        )


def _of_others(connection: Connection, frame_ids: Sequence[int]) -> tuple[str, ...]:
    """Say of which rigs that others keep frames are: only the keeper gets so far."""
    names = {rig.id: rig.name for rig in rigs(connection)}
    return tuple(
        f"{plural(count, 'frame')} of {whose(connection, rig_id, names[rig_id])}"
        for rig_id, count in sorted(frames_of_others(connection, frame_ids).items())
    )


def _signed(who: str) -> dict[str, Any]:
    return {"who": who, "at_utc": datetime.now(UTC), "undoes": None}


def _some(rows: Rows) -> Rows:
    if not rows:
        raise UsageError("No stored frame fits this selection", cure="See: runlog frames")
    return rows


def _examples(connection: Connection, rows: Rows) -> tuple[str, ...]:
    ids = [row.id for row in rows[:SHOWN_FRAMES]]
    paths = paths_of_frames(connection, ids)
    return tuple(
        paths[i][0][0].rsplit(b"/", 1)[-1].decode("utf-8", "replace") for i in ids if i in paths
    )


def _refuse_conflict(connection: Connection, rows: Rows, field: str, value: str) -> None:
    standing = store.standing(connection, [row.content_key for row in rows])
    other = [said[field] for said in standing.values() if said.get(field, value) != value]
    if other:
        raise UsageError(
            f"{len(other)} of these frames already have another correction of the {field} "
            f"({words.in_words(field, other[0])}); nothing was changed",
            cure=f"Add --replace to overrule it, or undo it first: {LISTED}",
        )


def _refuse_shift_of_nothing(rows: Rows, field: str, value: str) -> None:
    """Refuse to shift a time that is not known: it would settle nothing, and hide the question."""
    if field != Field.DATE or not value.startswith("shift"):
        return
    untimed = sum(row.taken_at_utc is None for row in rows)
    if untimed:
        raise UsageError(
            f"{untimed} of {plural(len(rows), 'frame')} tell{'s' * (untimed == 1)} no time "
            "that could be shifted; nothing was changed",
            cure="Give the evening's date (2026-10-14), or for one frame its start in UTC "
            "(2026-10-14T22:05:00Z)",
        )


# --- values ---------------------------------------------------------------------------------


def _value(connection: Connection, settings: Settings, field: Field, text: str, frames: int) -> str:
    if not text.strip():
        raise UsageError(f"The new {field} is empty", cure="Give a value; nothing was changed")
    plain: Mapping[Field, Callable[[str], str]] = {
        Field.KIND: words.read_kind,
        Field.EXPOSURE: words.read_exposure,
        Field.SITE: words.read_site,
    }
    if field in plain:
        return plain[field](text)
    if field is Field.DATE:
        return words.read_date(text, frames)
    if field is Field.RIG:
        return _rig(connection, text)
    if field is Field.FILTER:
        bare = fold_filter(text, settings.rules.filter_names) is None
        return NO_FILTER if bare else known_filter(connection, settings, text)
    name = target_among(connection, text, all_targets(connection))
    if name == NO_TARGET:
        raise UsageError(f"{text!r} is no target's name", cure="Nothing was changed")
    return name


def _rig(connection: Connection, text: str) -> str:
    """Find the one known rig of this name, or read a new one as "telescope + camera"."""
    known = rigs(connection)

    def find(typed: str) -> list[Any]:
        wanted = typed.strip().lower()
        exact = [r for r in known if r.name.lower() == wanted]
        return exact or [r for r in known if wanted in r.name.lower()]

    found = meant(text, find)
    if len(found) == 1:
        r = found[0]
        return RigSaid(r.telescope, r.camera, r.focal_mm, r.pixel_um).as_text()
    if len(found) > 1:
        names = ", ".join(f"{r.name} ({r.focal_mm or 0:g} mm)" for r in found)
        raise UsageError(f"{text!r} fits {len(found)} rigs: {names}", cure="Give the whole name")
    telescope, plus, camera = text.partition(" + ")
    if not plus or not telescope.strip() or not camera.strip():
        raise UsageError(
            f"No rig is called {text!r}",
            cure="Known: "
            + (", ".join(r.name for r in known) or "none yet")
            + '. A new one is written "TELESCOPE + CAMERA"',
        )
    return RigSaid(telescope.strip(), camera.strip()).as_text()


# --- what a new kind needs of the pixels ----------------------------------------------------


def _measure_anew(engine: Engine, settings: Settings, rows: Rows, value: str) -> tuple[str, ...]:
    """Measure frames whose kind now asks for what was never measured; names those it could not."""
    kind = Kind(value)
    if kind in MEASURED:
        todo = [row.id for row in rows if not row.measured]
    else:
        todo = [row.id for row in rows if kind in LEVELLED and not row.levelled]
    return tuple(
        str(frame_id) for frame_id in todo if not _read_again(engine, settings, frame_id, kind)
    )


def _read_again(engine: Engine, settings: Settings, frame_id: int, kind: Kind) -> bool:
    with reading(engine) as connection:
        roots = Roots.load(connection)
        files = paths_of_frames(connection, [frame_id]).get(frame_id, [])
    for path, _ in files:
        place = roots.place(path)
        if place is None:  # another machine has it
            continue
        parts, limits = path_parts(roots.told(place)), settings.limits
        outcome = read_file(Task(path, parts, settings.rules, kind=kind, limits=limits))
        if outcome.frame is None or outcome.header is None:
            continue
        status = os.stat(path)
        stamp = stamp_of(roots, path, status.st_size, changed_ns(status))
        arrived = Arrived(stamp, outcome.frame, outcome.header)
        with writing(engine) as connection:
            Writer(settings).put(connection, [arrived], datetime.now(UTC))
        return True
    return False


# --- the book -------------------------------------------------------------------------------


def undo(
    engine: Engine, settings: Settings, number: int | None, who: str, report: Report = silent
) -> tuple[Correction, tuple[str, ...]]:
    """Take back a correction; when none is named the last one standing, on a server one's own.

    Returns it, and whose frames that changed where others keep their rig.
    """
    with writing(engine, STORED) as connection:
        book = store.book(connection)
        if number is None:
            line = own_last(book, login(connection), "correction", LISTED, "runlog correct --undo")
        else:
            line = _numbered(book, number)
        values = {"field": UNDO, "value": "", "selection": "", "undoes": line.id}
        store.append(connection, values | {"who": who, "at_utc": datetime.now(UTC)}, [])
        frame_ids = store.frames_of(connection, _origin(book, line))
        _refuse_others(connection, frame_ids)
        of_others = _of_others(connection, frame_ids)
        Writer(settings).interpret_anew(connection, frame_ids)
    settle_behind(engine, settings, report)
    return line, of_others


def _numbered(book: Sequence[Correction], number: int) -> Correction:
    line = next((c for c in book if c.id == number), None)
    if line is None:
        raise UsageError(f"There is no correction {number}", cure=f"See: {LISTED}")
    if not line.stands:
        raise UsageError(f"Correction {number} is already undone; nothing was changed")
    return line


def _origin(book: Sequence[Correction], line: Correction) -> int:
    """Follow undoings of undoings to the correction that has frames."""
    by_id = {c.id: c for c in book}
    while line.undoes is not None:
        line = by_id[line.undoes]
    return line.id


def corrections_book(engine: Engine, selection: Selection = EVERYTHING) -> list[Correction]:
    """List all corrections ever made, or those of the frames chosen, with what undid them."""
    with reading(engine) as connection:
        book = store.book(connection)
        if selection.asks_nothing:
            return book
        about = store.corrections_of(connection, selection)
    return [line for line in book if _origin(book, line) in about]
