"""Propose marks for frames that lie in folders a person named for rejects."""

import os
import re
from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.store import marks as mark_store
from runlog.store.decisions import Decision, append_decisions
from runlog.store.engine import reading, writing
from runlog.store.mine import frames_i_decide_on
from runlog.store.roots import Roots

# The whole name of the folder, or its first word: "Bad Homburg" is a place.
NAMED_FOR_REJECTS = re.compile(
    r"[\W_]*(?:(?:reject(?:ed|s)?|discard(?:ed|s)?|unusable)(?:[\W_].*)?"
    r"|bad|trash|no[\W_]?good|bad[\W_](?:frames?|subs?|lights?))[\W_]*",
    re.IGNORECASE,
)


def proposed(engine: Engine, among: Iterable[bytes] | None = None) -> list[bytes]:
    """List paths of never marked light frames in such folders; `among` narrows to some paths."""
    with reading(engine) as connection:
        wanted = None if among is None else _so_named(connection, among)
        if wanted is not None and not wanted:
            return []  # as nearly always; an archive is not looked through for that
        found = [path for _, path in _proposals(connection)]
    return [path for path in found if wanted is None or path in wanted]


def _so_named(connection: Connection, paths: Iterable[bytes]) -> set[bytes]:
    """Choose the paths of this machine that lie in such folders, as first known."""
    roots = Roots.load(connection)
    places = ((path, roots.place(path)) for path in paths)
    return {path for path, place in places if place and in_reject_folder(roots.told(place))}


def mark_proposed(engine: Engine, who: str) -> int:
    """Mark them reject. Any mark, also one taken back, ends the proposal for good."""
    with writing(engine, "the marks are stored") as connection:
        frame_ids = sorted({frame_id for frame_id, _ in _proposals(connection)})
        note = "lay in a folder named for rejects"
        mine = sorted(frames_i_decide_on(connection, frame_ids))
        decisions = [Decision(frame_id, "reject", note) for frame_id in mine]
        append_decisions(connection, decisions, {}, who, datetime.now(UTC))
    return len(mine)


def _proposals(connection: Connection) -> list[tuple[int, bytes]]:
    return [
        (frame_id, path)
        for frame_id, told, path in mark_store.paths_of_unmarked_lights(connection)
        if in_reject_folder(told)
    ]


def in_reject_folder(path: bytes) -> bool:
    """Tell whether a folder of a path is named for rejects."""
    folders = os.fsdecode(os.path.dirname(path)).split("/")
    return any(NAMED_FOR_REJECTS.fullmatch(folder) for folder in folders)
