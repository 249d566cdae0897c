"""Targets: what there is, what is doubtful about their names, and a person's changes to them."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.nameless import name_nameless, says_nothing
from runlog.actions.names import all_targets, meant, target_among
from runlog.actions.open import Report, settle_behind, silent
from runlog.actions.target_questions import questions_about
from runlog.config import Settings
from runlog.core.corrections.correction import Field
from runlog.core.corrections.gathered import settling
from runlog.core.corrections.in_force import TargetChanges, spelling_key
from runlog.core.corrections.selecting import Everyone
from runlog.core.escape import for_shell, unescaped
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.targets.names import NO_TARGET, How, TargetNames, tidy
from runlog.errors import UsageError
from runlog.store import corrections as correction_store
from runlog.store import targets as store
from runlog.store.catalogue import target_names
from runlog.store.choose import sights
from runlog.store.engine import reading, writing
from runlog.store.targets import MERGE, RENAME, SPLIT, UNDO, Change, Spelled

STORED = "the change of names is stored"


@contextmanager
def _changing(engine: Engine) -> Iterator[Connection]:
    """Begin to write, unless the names are not this login's to change."""
    with reading(engine) as connection:
        store.require_namer(connection)
    with writing(engine, STORED) as connection:
        yield connection


# --- changes --------------------------------------------------------------------------------


def merge(
    engine: Engine,
    settings: Settings,
    one: str,
    into: str,
    who: str,
    report: Report = silent,
) -> tuple[str, str, int]:
    """Let one target's frames count for another; returns both names and how many frames moved."""
    with _changing(engine) as connection:
        seen = all_targets(connection)
        subject, object_ = _seen(connection, one), target_among(connection, into, seen)
        known = target_names().fold(object_).how in (How.NUMBER, How.NICKNAME)
        if object_ not in seen and not known:
            raise UsageError(
                f"There is no target {object_} to merge with; nothing was changed",
                cure="To give it that name: "
                f"runlog targets rename {for_shell(subject)} {for_shell(object_)}",
            )
        moved = _change(connection, MERGE, subject, object_, who)
    settle_behind(engine, settings, report)
    return subject, object_, moved


def rename(
    engine: Engine,
    settings: Settings,
    old: str,
    new: str,
    who: str,
    report: Report = silent,
) -> tuple[str, str, int]:
    """Give a target another name."""
    with _changing(engine) as connection:
        subject = _seen(connection, old)
        _refuse_other_object(subject, new)
        plain = _new_name(new, besides=subject)
        if not plain or plain == NO_TARGET:
            raise UsageError("The new name is empty; nothing was changed")
        seen = all_targets(connection)
        plain = next((name for name in (plain, unescaped(plain)) if name in seen), plain)
        if plain in seen:
            raise UsageError(
                f"There is a target {plain} already; nothing was changed",
                cure="To put them together: "
                f"runlog targets merge {for_shell(subject)} {for_shell(plain)}",
            )
        moved = _change(connection, RENAME, subject, plain, who)
    settle_behind(engine, settings, report)
    return subject, plain, moved


def split(
    engine: Engine,
    settings: Settings,
    spelling: str,
    name: str,
    who: str,
    report: Report = silent,
) -> tuple[str, str, int]:
    """Make the frames whose header spells a target so a target of their own."""
    with _changing(engine) as connection:
        keys = (spelling_key(row.target_raw) for row in store.named_frames(connection))
        known = {key: key for key in keys}
        key = meant(spelling, lambda text: known.get(spelling_key(text), ""))
        plain = _new_name(name)
        if not key:
            raise UsageError(
                f"No header spells a target {spelling!r}; nothing was changed",
                cure="runlog targets lists every spelling. Frames of one night or folder: "
                "runlog correct target NAME --night DATE",
            )
        if not plain:
            raise UsageError("The name is empty; nothing was changed")
        moved = _change(connection, SPLIT, key, plain, who)
    settle_behind(engine, settings, report)
    return key, plain, moved


def keep(
    engine: Engine, settings: Settings, name: str, who: str, report: Report = silent
) -> tuple[str, int]:
    """Say that a target is its own, so that it is not asked about again."""
    with reading(engine) as connection:
        target = _seen(connection, name)
        groups = store.named_frames(connection)
    raw = next((g.target_raw for g in groups if g.target == target and g.target_raw), target)
    with _changing(engine) as connection:
        moved = _change(connection, SPLIT, spelling_key(raw), target, who)
    settle_behind(engine, settings, report)
    return target, moved


def undo(
    engine: Engine, settings: Settings, number: int | None, who: str, report: Report = silent
) -> tuple[Change, int]:
    """Take back a change, the last one standing when none is named."""
    with _changing(engine) as connection:
        line = _to_undo(store.changes(connection), number)
        values = {"action": UNDO, "subject": line.subject, "object": line.object, "undoes": line.id}
        store.append_change(connection, values | {"who": who, "at_utc": datetime.now(UTC)})
        moved = retarget(connection)
    settle_behind(engine, settings, report)
    return line, moved


def _to_undo(book: Sequence[Change], number: int | None) -> Change:
    standing = [c for c in book if c.stands and c.undoes is None]
    if number is None:
        if not standing:
            raise UsageError("There is no change of names to undo")
        return standing[-1]
    line = next((c for c in book if c.id == number), None)
    if line is None:
        raise UsageError(f"There is no change {number}", cure="See: runlog targets log")
    if not line.stands:
        raise UsageError(f"Change {number} is already undone; nothing was changed")
    return line


def changes_book(engine: Engine) -> list[Change]:
    """List all changes of names ever made."""
    with reading(engine) as connection:
        return store.changes(connection)


def _change(connection: Connection, action: str, subject: str, object_: str, who: str) -> int:
    changes = store.changes_in_force(connection)
    if action != SPLIT and (subject == object_ or changes.final(object_) == subject):
        raise UsageError(f"{subject} and {object_} are one target already; nothing was changed")
    values = {"action": action, "subject": subject, "object": object_, "undoes": None}
    store.append_change(connection, values | {"who": who, "at_utc": datetime.now(UTC)})
    return retarget(connection)


def _new_name(said: str, besides: str | None = None) -> str:
    """Tidy a name a person gives; a known object's goes by its one name, except for its own."""
    plain = tidy(said)
    folded = target_names().fold(plain)
    known = folded.how in (How.NUMBER, How.NICKNAME) and folded.name != besides
    return folded.name if known else plain


def _refuse_other_object(subject: str, said: str) -> None:
    """Refuse a nickname of another object for one that the catalogues know by its number."""
    names = target_names()
    other, own = names.fold(tidy(said)), names.fold(subject)
    if other.how is How.NICKNAME and own.how is How.NUMBER and other.name != own.name:
        raise UsageError(
            f"{tidy(said)} is a name of {other.name}, another object than {subject}; nothing was "
            "changed",
            cure=f"If its frames show {other.name}: runlog targets rename {for_shell(subject)} "
            f"{for_shell(other.name)}",
        )


def _seen(connection: Connection, said: str) -> str:
    seen = all_targets(connection)
    name = target_among(connection, said, seen)
    if name in seen and name != NO_TARGET:
        return name
    if name == NO_TARGET:
        raise UsageError(
            "Frames without a name are not one target; nothing was changed",
            cure="Name them by night or folder: runlog correct target NAME --night DATE",
        )
    raise UsageError(
        f"No frame of {name} was ever seen; nothing was changed",
        cure="runlog targets lists the targets there are",
    )


# --- giving stored frames the names in force ------------------------------------------------


def retarget(connection: Connection) -> int:
    """Name all stored frames anew after a change; returns how many light frames it changed."""
    changes, names = store.changes_in_force(connection), target_names()
    moved = 0
    for group in store.named_frames(connection):
        name = _named(group.target_raw, changes, names)
        if name is not None and name != group.target:
            store.rename_spelling(connection, group.target_raw, group.target, name)
            moved += group.listed
    moved += name_nameless(connection, changes, names)
    return moved + _retarget_corrected(connection, changes, names)


def _named(raw: str | None, changes: TargetChanges, names: TargetNames) -> str | None:
    """Give the name a header's spelling leads to; None when it says nothing."""
    if says_nothing(raw, changes, names):
        return None
    return changes.final(changes.apart.get(spelling_key(raw)) or names.fold(raw).name)


def _retarget_corrected(connection: Connection, changes: TargetChanges, names: TargetNames) -> int:
    rows = store.corrected_frames(connection)
    said = correction_store.standing(connection, [row.content_key for row in rows])
    changed: dict[int, str] = {}
    for row in rows:
        own = said.get(row.content_key, {}).get(Field.TARGET)
        name = changes.final(own) if own else _named(row.target_raw, changes, names)
        if name is not None and name != row.target:
            changed[row.id] = name
    store.rename_frames(connection, changed)
    return sum(row.listed for row in rows if row.id in changed)


# --- the list -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spelling:
    """One way headers write a target."""

    raw: str | None
    frames: int
    how: str


@dataclass(frozen=True, slots=True)
class TargetLine:
    """One target with its spellings, its place, and what is doubtful."""

    target: str
    frames: int
    logged_s: float
    spellings: tuple[Spelling, ...]
    ra_deg: float | None
    dec_deg: float | None
    questions: tuple[str, ...]


def target_lines(engine: Engine, selection: Selection = EVERYTHING) -> list[TargetLine]:
    """List the targets of the frames chosen, with every question there is about them.

    Frames and hours are those of the frames chosen; questions are about a target as a whole.
    """
    with reading(engine) as connection:
        groups = _by_target(store.spellings(connection))
        part = groups
        if not selection.asks_nothing:
            part = _by_target(store.spellings(connection, selection))
        changes = store.changes_in_force(connection)
        naming = _naming(connection) if NO_TARGET in part else []
    asked = questions_about(groups, changes, target_names(), naming)
    return [_line(name, part[name], asked.get(name, ())) for name in sorted(part)]


def _by_target(rows: Sequence[Spelled]) -> dict[str, list[Spelled]]:
    groups: dict[str, list[Spelled]] = {}
    for row in rows:
        groups.setdefault(row.target, []).append(row)
    return groups


def _naming(connection: Connection) -> list[str]:
    """Give the commands that name the frames without a name, and no others."""
    nameless, every = store.lights_called(connection, NO_TARGET), sights(connection)
    return settling("target NAME", [s for s in every if s.id in nameless], Everyone(every))


def _line(name: str, rows: Sequence[Spelled], questions: Sequence[str]) -> TargetLine:
    placed = [r for r in rows if r.ra_deg is not None and r.dec_deg is not None]
    most = max(placed, key=lambda r: (r.frames, r.ra_deg, r.dec_deg), default=None)
    return TargetLine(
        target=name,
        frames=sum(r.frames for r in rows),
        logged_s=sum(r.logged_s or 0.0 for r in rows),
        spellings=_spellings(rows),
        ra_deg=most.ra_deg if most else None,
        dec_deg=most.dec_deg if most else None,
        questions=tuple(questions),
    )


def _spellings(rows: Sequence[Spelled]) -> tuple[Spelling, ...]:
    counts: dict[tuple[str | None, str], int] = {}
    for row in rows:
        how = "corrected" if row.corrected else target_names().fold(row.target_raw).how.value
        key = (row.target_raw, how)
        counts[key] = counts.get(key, 0) + row.frames
    ordered: Mapping[tuple[str | None, str], int] = dict(
        sorted(counts.items(), key=lambda item: (-item[1], str(item[0])))
    )
    return tuple(Spelling(raw, frames, how) for (raw, how), frames in ordered.items())
