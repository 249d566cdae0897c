"""The pictures of frames: from the stored preview at once, from the file when asked."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Engine

from runlog.core.frame import Kind
from runlog.core.pixels import Preview
from runlog.errors import FrameError
from runlog.ingest.flat_preview import make_flat_preview
from runlog.ingest.preview import make_preview, unpack
from runlog.store.engine import reading, writing
from runlog.store.mine import my_frames
from runlog.store.previews import get_preview, put_previews
from runlog.store.review import FrameSight, best_of_run, frame_sight, previous_alike

Array = np.ndarray[Any, Any]
MOST_FULL_PIXELS = 80_000_000  # beyond this the full picture is halved to spare memory


@dataclass(frozen=True, slots=True)
class Picture:
    """A frame as the eye gets it; without `image`, `trouble` says why."""

    sight: FrameSight
    image: Array | None = None  # (h, w) float32, ADU
    shrink: int = 1  # frame pixels per image pixel
    cutouts: tuple[Array, ...] = ()
    corners: tuple[tuple[int, int], ...] = ()
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class FullPicture:
    """A frame's own pixels, or why they cannot be had."""

    image: Array | None = None
    shrink: int = 1
    trouble: str | None = None


def picture(engine: Engine, frame_id: int) -> Picture | None:
    """Load a frame's picture; None when the frame is no longer stored.

    A frame scanned before previews were made gets its preview from the file, once.
    """
    with reading(engine) as connection:
        sight = frame_sight(connection, frame_id)
        preview = get_preview(connection, frame_id)
        is_mine = bool(my_frames(connection, [frame_id]))
    if sight is None:
        return None
    if preview is not None:
        return _from_preview(sight, preview)
    pixels, trouble = _pixels(sight.paths)
    if pixels is None:
        return Picture(sight, trouble=trouble)
    is_flat = sight.frame.context.kind is Kind.FLAT
    stars = sight.frame.measurement.star_list
    preview = make_flat_preview(pixels) if is_flat else make_preview(pixels, stars)
    if is_mine:
        with writing(engine) as connection:
            put_previews(connection, {frame_id: preview})
    return _from_preview(sight, preview)


def _from_preview(sight: FrameSight, preview: Preview) -> Picture:
    stack = unpack(preview.cutouts)
    cuts = np.split(stack, len(preview.corners)) if preview.corners else []
    return Picture(sight, unpack(preview.image), preview.shrink, tuple(cuts), preview.corners)


def full_picture(engine: Engine, frame_id: int) -> FullPicture:
    """Read a frame's own pixels from whichever of its files is there."""
    with reading(engine) as connection:
        sight = frame_sight(connection, frame_id)
    if sight is None:
        return FullPicture(trouble="This frame is no longer stored")
    pixels, trouble = _pixels(sight.paths)
    if pixels is None:
        return FullPicture(trouble=trouble)
    # Green stands for all three; a copy lets the others go.
    plane = pixels[1].copy() if pixels.ndim == 3 else pixels
    if plane.size > MOST_FULL_PIXELS:
        return FullPicture(plane[::2, ::2].copy(), 2)
    return FullPicture(plane)


def _pixels(paths: Sequence[tuple[bytes, bool]]) -> tuple[Array | None, str | None]:
    from runlog.ingest.fits import open_frame

    trouble = "None of its files is known"
    for path, _ in paths:
        name = os.fsdecode(os.path.basename(path))
        if not os.path.isabs(path):
            trouble = f"{name} is not on this machine: runlog roots tells where it may be"
            continue
        if not os.path.exists(path):
            trouble = f"{name} is not there: moved, or its disk is unplugged"
            continue
        try:
            with open_frame(path) as opened:
                return opened.pixels(), None
        except FrameError as error:
            trouble = f"{name} {error.what}"
    return None, trouble


def companion(engine: Engine, sight: FrameSight, which: str) -> int | None:
    """Find the frame to compare with: the `best` of the run, or the `previous` one like it."""
    find = best_of_run if which == "best" else previous_alike
    with reading(engine) as connection:
        return find(connection, sight.frame)
