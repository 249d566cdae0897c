"""A person's own grade on frames named by path, file name or the start of their key."""

import os
import string
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.names import meant
from runlog.core.columns import plural
from runlog.core.frame import Kind
from runlog.core.selection import EVERYTHING, Selection
from runlog.errors import UsageError
from runlog.ingest.paths import stored_path
from runlog.store.choose import chosen_frames
from runlog.store.decisions import Decision, append_decisions, latest_marks
from runlog.store.engine import reading, writing
from runlog.store.listing import (
    frames_at,
    frames_keyed,
    frames_named,
    nights_of_keys,
    starts_of_keys,
)

SHORTEST_KEY = 4
NAMED = 6


@dataclass(frozen=True, slots=True)
class Marked:
    """How many frames were marked, and on how many of these others decide."""

    frames: int
    noted: int = 0


def mark_frames(
    engine: Engine, named: Sequence[str], grade: str, note: str | None, who: str
) -> Marked:
    """Append a mark to each frame named; all of them or, when one is unknown, none."""
    with reading(engine) as connection:
        frame_ids = list(dict.fromkeys(find_frame(connection, name) for name in named))
    return mark_these(engine, frame_ids, grade, note, who)


def lights_to_mark(engine: Engine, selection: Selection, *, last: bool = False) -> list[int]:
    """List the light frames of a selection, in time order, or only the last one taken."""
    with reading(engine) as connection:
        rows = chosen_frames(connection, replace(selection, kind=Kind.LIGHT.value))
    if not rows:
        raise UsageError("No light frame fits this; nothing was marked", cure="See: runlog frames")
    return [row.id for row in rows][-1 if last else 0 :]


def mark_these(
    engine: Engine, frame_ids: Sequence[int], grade: str, note: str | None, who: str
) -> Marked:
    """Append a mark to each of these frames; tells how many of these only note what was said.

    Grades and hours show it at once. What follows from it, for other nights as well, is found by
    the next command that reads: of many marks in a row it is found once.
    """
    with writing(engine, f"the mark of {plural(len(frame_ids), 'frame')} is stored") as connection:
        before = latest_marks(connection, frame_ids, who)
        decisions = [Decision(frame_id, grade, note) for frame_id in frame_ids]
        decided = append_decisions(connection, decisions, before, who, datetime.now(UTC))
    return Marked(len(frame_ids), len(set(frame_ids) - decided))


def _frames(connection: Connection, name: str) -> list[int]:
    """Find the frames of a path, file name or start of key."""
    try:
        path = os.fsencode(name)
    except UnicodeEncodeError:  # half a character, as only an escape can write: no file's name
        return []
    found = frames_at(connection, stored_path(name)) or frames_at(connection, path)
    # Before files of such a name: that is a look at all files, and theirs have an ending.
    if not found and len(name) >= SHORTEST_KEY and set(name) <= set(string.hexdigits):
        found = frames_keyed(connection, name.lower())
    if not found and os.path.basename(name) == name:
        found = frames_named(connection, path)
    return found


def find_frame(connection: Connection, name: str, among: Selection = EVERYTHING) -> int:
    """Find one frame by path, file name (also as CSV writes them) or key; else a usage error.

    Frames that share a name are told apart by what else is asked of them.
    """
    found = meant(name, lambda text: _frames(connection, text))
    if found and among != EVERYTHING:
        rows = chosen_frames(connection, replace(among, frame_ids=tuple(found)))
        if not rows:
            raise UsageError("No frame of this name fits the rest", name, "See: runlog frames")
        found = [row.id for row in rows]
    if len(found) > 1:
        raise UsageError(
            f"{len(found)} frames have this name or start of a key", name, _which(connection, found)
        )
    if not found:
        raise UsageError(
            "No stored frame has this path, name or key",
            name,
            "Scan its folder first, or copy the name from: runlog frames",
        )
    return found[0]


def _which(connection: Connection, found: Sequence[int]) -> str:
    """Name frames that share a name by their keys and nights."""
    nights = nights_of_keys(connection, found[:NAMED])
    starts = starts_of_keys(connection, nights)
    said = ", ".join(f"{starts[key]} of {night or 'no date'}" for key, night in nights.items())
    more = f" and {len(found) - NAMED} more" if len(found) > NAMED else ""
    return f"Give a key ({said}{more}), the night (--night DATE), or the whole path"
