"""The files of frames: their names for lists, one to be opened by another program."""

import os
import shlex
from collections.abc import Sequence

from sqlalchemy import Engine

from runlog.actions.programs import start
from runlog.config import Settings
from runlog.errors import UsageError
from runlog.store.engine import reading
from runlog.store.listing import paths_of_frames


def file_names(engine: Engine, frame_ids: Sequence[int]) -> dict[int, str]:
    """Load the name of each frame's file, without its folder."""
    with reading(engine) as connection:
        found = paths_of_frames(connection, frame_ids)
    return {i: os.fsdecode(os.path.basename(files[0][0])) for i, files in found.items() if files}


def file_path(engine: Engine, frame_id: int) -> tuple[str, bool] | None:
    """Load the path of a frame's file, and whether it is missing; None where none is known."""
    with reading(engine) as connection:
        files = paths_of_frames(connection, [frame_id]).get(frame_id)
    return (os.fsdecode(files[0][0]), files[0][1]) if files else None


def open_file(engine: Engine, settings: Settings, frame_id: int) -> str:
    """Hand a frame's file to the program the config names; returns its path."""
    found = file_path(engine, frame_id)
    if not settings.opener:
        raise UsageError(
            "No program is named to open files with",
            cure='Name one in the config file: [review] open_with = "PROGRAM"',
        )
    if found is None or found[1] or not os.path.exists(found[0]):
        raise UsageError("Its file is not there now", cure="Plug in its disk, or scan again")
    start([*shlex.split(settings.opener), found[0]])
    return found[0]
