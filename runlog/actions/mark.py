"""A person's own grade on frames named by path or by the start of their key."""

import os
import string
from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.errors import UsageError
from runlog.store import marks as mark_store
from runlog.store.engine import reading, writing
from runlog.store.listing import find_frames
from runlog.store.runs import touch_frames

SHORTEST_KEY = 4


def mark_frames(
    engine: Engine, settings: Settings, named: Sequence[str], grade: str, note: str | None, who: str
) -> int:
    """Append a mark to each frame named; all of them or, when one is unknown, none."""
    with reading(engine) as connection:
        frame_ids = list(dict.fromkeys(_find(connection, name) for name in named))
    with writing(engine) as connection:
        mark_store.add_marks(connection, frame_ids, grade, note, who, datetime.now(UTC))
        touch_frames(connection, frame_ids)
    settle_all(engine, settings)
    return len(frame_ids)


def _find(connection: Connection, name: str) -> int:
    found = find_frames(connection, os.fsencode(os.path.abspath(name)))
    if not found and len(name) >= SHORTEST_KEY and set(name) <= set(string.hexdigits):
        found = find_frames(connection, name.lower())
    if len(found) > 1:
        raise UsageError(f"{len(found)} frames begin with this key", name, "Give more of it")
    if not found:
        raise UsageError(
            "No stored frame has this path or key",
            name,
            "Scan its folder first, or copy the path or key from: runlog frames",
        )
    return found[0]
