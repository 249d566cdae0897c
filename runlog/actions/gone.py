"""Note the files that a scan did not find: deleted, or below a folder that is away."""

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from sqlalchemy import Engine

from runlog.ingest.discover import is_empty
from runlog.store import files as file_store
from runlog.store.engine import reading, writing
from runlog.store.files import KnownFile
from runlog.store.roots import MountedRoot, set_away


@dataclass(frozen=True, slots=True)
class Looked:
    """What a scan knew before it looked, and what it saw."""

    roots: Mapping[int, MountedRoot]
    known: Collection[KnownFile]
    gone: Mapping[int, KnownFile]  # files that are not where they were
    there: Collection[int]  # roots of which something was seen


@dataclass(frozen=True, slots=True)
class Lost:
    """What became of it: frames of which no file is here any more."""

    missing: int
    away: int  # of those, below folders that are not there or empty
    emptied: tuple[bytes, ...]  # folders of theirs in which no file lies


def note_gone(engine: Engine, looked: Looked, not_there: Collection[bytes]) -> Lost:
    """Note which files and roots are gone; `not_there` are folders that could not be walked."""
    away = _away(engine, looked)
    empty = _empty(looked, away)
    with writing(engine) as connection:
        set_away(connection, away, away=True)
        deleted = [i for i, f in looked.gone.items() if not f.missing and f.root_id not in away]
        file_store.set_missing(connection, deleted, missing=True)
        lost = file_store.files_of_lost_frames(connection)
    # A frame that moved, or has a copy, is not missing, though its old path is.
    emptied = {f.root_id for i, f in looked.gone.items() if i in lost and f.root_id in empty}
    folders = tuple(sorted(looked.roots[root_id].folder for root_id in emptied))
    apart = {i for i in away if looked.roots[i].folder in {*not_there, *folders}}
    frames = {lost[i] for i in looked.gone if i in lost}
    frames_away = {lost[i] for i, f in looked.gone.items() if i in lost and f.root_id in apart}
    return Lost(len(frames - frames_away), len(frames_away), folders)


def _away(engine: Engine, looked: Looked) -> set[int]:
    """Find the roots of which nothing is there: not deleted, but a disk not plugged in.

    Other machines may have them, so their files are not called gone.
    """
    left = {known.root_id for known in looked.known if known.id not in looked.gone}
    away = {known.root_id for known in looked.gone.values()} - {*looked.there} - left
    if not away:
        return away
    loaded = Counter(known.root_id for known in looked.known if known.root_id in away)
    with reading(engine) as connection:
        return away - file_store.roots_with_more(connection, loaded)


def _empty(looked: Looked, away: Collection[int]) -> set[int]:
    """Choose the roots below which no file lies, though not all of theirs were called gone."""
    held = {known.root_id for known in looked.known if not known.missing}
    return {root_id for root_id in held & {*away} if is_empty(looked.roots[root_id].folder)}
