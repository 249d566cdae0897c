"""Fold what a person typed into one selection: names, filters, rigs, dates, seasons, places.

What is typed means the same to every command: a name that no frame has is refused with those near
it, whoever asks.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace

from sqlalchemy import Connection, Engine

from runlog.actions.evenings import evening
from runlog.actions.mark import find_frame
from runlog.actions.names import all_targets, called, meant, near_words, seen_target
from runlog.config import Settings
from runlog.core.corrections.correction import read_kind
from runlog.core.escape import unescaped
from runlog.core.header.filters import NO_FILTER, fold_filter
from runlog.core.ledger.seasons import season as season_named
from runlog.core.plain_words import Vocabulary
from runlog.core.selection import Selection, Term
from runlog.core.targets.names import How
from runlog.core.targets.places import read_place
from runlog.errors import UsageError
from runlog.ingest.paths import stored_path
from runlog.store.catalogue import target_names
from runlog.store.choose import holds_any, last_night, rigs
from runlog.store.engine import reading
from runlog.store.listing import paths_of_frames
from runlog.store.roots import Roots
from runlog.store.targets import changes_in_force
from runlog.store.totals import filters_seen
from runlog.store.where import is_named

NEAR_DEG = 0.25


def selected(
    engine: Engine,
    settings: Settings,
    *,
    target: str | None = None,
    filter: str | None = None,
    rig: str | None = None,
    season: str | None = None,
    since: str | None = None,
    until: str | None = None,
    night: str | None = None,
    grade: str | None = None,
    fault: str | None = None,
    kind: str | None = None,
    folder: str | None = None,
    pattern: str | None = None,
    near: str | None = None,
    within_deg: float = NEAR_DEG,
    frames: Sequence[str] = (),
) -> Selection:
    """Fold and check a selection as typed."""
    if "" in (target, filter, rig, season, since, until, night, kind, folder, pattern, near):
        raise UsageError("An option is empty, so it chooses nothing", cure="Leave it out")
    with reading(engine) as connection:
        first, last = _span(connection, settings, season, since, until)
        chosen = Selection(
            night=evening(connection, night) if night is not None else None,
            since=first,
            until=last,
            target=seen_target(connection, target) if target is not None else None,
            filter=_seen_filter(connection, settings, filter) if filter is not None else None,
            rigs=_rigs(connection, rig) if rig is not None else None,
            grade=grade,
            fault=fault,
            kind=read_kind(kind) if kind is not None else None,
            folder=_folder(connection, folder) if folder is not None else None,
            pattern=_pattern(connection, pattern) if pattern is not None else None,
            near_deg=_place(near, within_deg) if near is not None else None,
        )
        return replace(chosen, frame_ids=_named(connection, frames, chosen))


def _span(
    connection: Connection,
    settings: Settings,
    season: str | None,
    since: str | None,
    until: str | None,
) -> tuple[str | None, str | None]:
    first, last = (evening(connection, word) if word else None for word in (since, until))
    if season is not None:
        if first or last:
            raise UsageError("A season has its own first and last night", cure="Leave one out")
        return season_named(season, (settings.latitude_deg or 0.0) < 0)
    if first and last and first > last:
        raise UsageError(f"{first} comes after {last}", cure="--since is the earlier evening")
    return first, last


def _seen_filter(connection: Connection, settings: Settings, typed: str) -> str:
    """Fold a filter's name; one that no frame was taken through is refused."""
    used = filters_seen(connection)
    spelt = {name.lower(): name for name in used}
    exact = meant(typed, lambda text: spelt.get(text.strip().lower()))
    name = exact or fold_filter(typed, settings.rules.filter_names) or NO_FILTER
    if name in used or not used or holds_any(connection, Selection(filter=name)):
        return name
    raise UsageError(
        f"No light frame was taken through {name}",
        cure=f"{near_words(name, used)}Used: {', '.join(sorted(used))}",
    )


def _rigs(connection: Connection, typed: str) -> tuple[str, ...]:
    """Find the rigs of this very name; only where there is none, those that have it in theirs."""
    names = sorted({rig.name for rig in rigs(connection)})
    found = meant(typed, lambda text: _called(names, text.strip().lower()))
    if names and not found:
        parts = {part for name in names for part in name.split()}
        raise UsageError(
            f"No rig is called {typed!r}",
            cure=f"{near_words(typed, {*names, *parts})}There are: {', '.join(names)}",
        )
    return tuple(found)


def _called(names: Sequence[str], said: str) -> list[str]:
    exact = [name for name in names if name.lower() == said]
    return exact or [name for name in names if said in name.lower()]


def _folder(connection: Connection, typed: str) -> bytes:
    """Read a folder of this machine, or one below a root as name:folder."""
    roots = Roots.load(connection)

    def find(text: str) -> bytes | None:
        if os.path.exists(text):
            return stored_path(text)
        spelt = roots.spelt(os.fsencode(text))
        return None if spelt is None else roots.shown(spelt.root_id, spelt.path)

    return meant(typed, find) or stored_path(typed)


def _pattern(connection: Connection, typed: str) -> str:
    """Read a name or pattern of files as it stands or, where nothing fits so, as CSV writes it."""
    plain = unescaped(typed)
    if plain is None or plain == typed:
        return typed
    paths = [path for of_frame in paths_of_frames(connection).values() for path, _ in of_frame]

    def find(text: str) -> frozenset[bytes]:
        return frozenset(path for path in paths if is_named(path, text))

    return plain if meant(typed, find) and not find(typed) else typed


def _place(near: str, within_deg: float) -> tuple[float, float, float]:
    place = read_place(near)
    if place is None:
        raise UsageError(f"{near!r} is no place in the sky", cure='As in "20h59m17s +44d31m"')
    return (*place, within_deg)


def _named(
    connection: Connection, names: Sequence[str], among: Selection
) -> tuple[int, ...] | None:
    if not names:
        return None
    return tuple(dict.fromkeys(find_frame(connection, name, among) for name in names))


# --- plain words ----------------------------------------------------------------------------


def vocabulary(engine: Engine, settings: Settings) -> Vocabulary:
    """Gather what plain words can name; the catalogue is opened here, not at the first key."""
    with reading(engine) as connection:
        filters, targets = filters_seen(connection), all_targets(connection)
        changes = changes_in_force(connection)
        newest = last_night(connection)

    def fold_target(word: str) -> str | None:
        found = target_names().fold(word)
        return None if found.how is How.NOTHING else called(changes, word)

    fold_target("M 1")
    return Vocabulary(
        _lowered(filters),
        _lowered(targets),
        lambda word: fold_filter(word, settings.rules.filter_names),
        fold_target,
        NO_FILTER,
        newest,
    )


def not_understood(engine: Engine, words: Sequence[str]) -> list[str]:
    """List the words that are part of no target, filter or note: they mean nothing here."""
    with reading(engine) as connection:
        return [w for w in words if not holds_any(connection, Selection(terms=(Term("text", w),)))]


def _lowered(names: Iterable[str]) -> dict[str, str]:
    return {name.lower(): name for name in sorted(names)}
