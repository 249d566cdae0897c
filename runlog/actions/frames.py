"""Frames as rows with the published keys, from the database."""

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Engine

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.published import PUBLISHED, ROW_KEYS
from runlog.core.selection import EVERYTHING, Selection
from runlog.errors import UsageError
from runlog.store.choose import list_frames
from runlog.store.engine import reading
from runlog.store.files import failures
from runlog.store.listing import paths_of_frames, starts_of_keys

UNREADABLE = FaultName.UNREADABLE.value
ALL_UNREADABLE = Selection(fault=UNREADABLE)

Entry = dict[str, Any]


def frame_rows(engine: Engine, selection: Selection = EVERYTHING) -> list[Entry]:
    """List frames with the keys of `runlog.frames/1`; unreadable files only where asked for."""
    if selection.fault == UNREADABLE:
        return _unreadable(engine, selection)
    with reading(engine) as connection:
        frames = list_frames(connection, selection)
        ids = [frame.identity.id for frame in frames]
        paths = paths_of_frames(connection, None if selection == EVERYTHING else ids)
    return [_row(frame, paths.get(frame.identity.id, [])) for frame in frames]


def short_keys(engine: Engine, rows: Sequence[Entry]) -> dict[str, str]:
    """Give the start of each row's key that names its frame alone among all that are stored."""
    keys = [row["fingerprint"] for row in rows if row["fingerprint"]]
    with reading(engine) as connection:
        return starts_of_keys(connection, keys)


def _unreadable(engine: Engine, selection: Selection) -> list[Entry]:
    if selection not in (ALL_UNREADABLE, replace(ALL_UNREADABLE, grade=Grade.UNGRADED.value)):
        raise UsageError(
            "A file that cannot be read tells no night, target, filter or rig",
            cure="runlog frames --fault unreadable lists them all",
        )
    with reading(engine) as connection:
        return [unreadable_row(path, reason) for path, reason in failures(connection)]


def _row(frame: Frame, files: Sequence[tuple[bytes, bool]]) -> Entry:
    here = [os.fsdecode(path) for path, missing in files if not missing]
    known = here or [os.fsdecode(path) for path, _ in files]
    return frame_row(frame, known, missing=not here)


def frame_row(frame: Frame, paths: Sequence[str], *, missing: bool) -> Entry:
    """Give the row of a frame, and where its files are or were."""
    values = {key: value(frame) for key, value in PUBLISHED.items()}
    files = {"path": paths[0] if paths else None, "paths": paths, "missing": missing}
    return files | values | {"error": None}


def unreadable_row(path: bytes, reason: str) -> Entry:
    """Give the row of a file that is no frame: its path and the reason."""
    name = os.fsdecode(path)
    return dict.fromkeys(ROW_KEYS) | {
        "path": name,
        "paths": [name],
        "missing": False,
        "grade": "ungraded",
        "graded_by": "auto",
        "faults": [UNREADABLE],
        "evidence": {UNREADABLE: reason},
        "error": reason,
    }
