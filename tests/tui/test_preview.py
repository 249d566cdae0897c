"""Previews: bounded, true to within their step, and made of anything a camera writes."""

import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.ingest.preview import (
    CUTOUT_BYTES,
    CUTOUT_PX,
    IMAGE_BYTES,
    IMAGE_PIXELS,
    make_preview,
    pack,
    unpack,
)
from runlog.store.engine import open_engine, reading, writing
from runlog.store.previews import get_preview, put_previews

from .nights import sky

NO_STARS = StarList()
Pixels = np.ndarray[Any, Any]


def _random() -> np.random.Generator:
    return np.random.default_rng(7)


FRAMES: dict[str, Pixels] = {
    "16 bit sky": sky(_random())[0],
    "pure noise over the whole range": _random().integers(0, 65535, (1200, 1800)).astype(np.uint16),
    "all one value": np.full((600, 800), 1234, np.uint16),
    "all dark": np.zeros((600, 800), np.uint16),
    "8 bit": _random().integers(0, 255, (480, 640)).astype(np.uint8),
    "32 bit float with holes": np.where(_random().random((480, 640)) < 0.1, np.nan, 5.0).astype(
        "f4"
    ),
    "nothing finite": np.full((480, 640), np.nan, np.float32),
    "infinite": np.full((480, 640), np.inf, np.float32),
    "negative": _random().normal(-500, 30, (480, 640)).astype(np.float32),
    "three planes": _random().normal(900, 30, (3, 480, 640)).astype(np.float32),
    "one row": _random().normal(900, 30, (1, 5000)).astype(np.float32),
    "one pixel": np.array([[7]], np.uint16),
    "tall and thin": _random().normal(900, 30, (9000, 20)).astype(np.float32),
}


@pytest.mark.parametrize("name", FRAMES)
@pytest.mark.parametrize("mosaic", [False, True])
def test_anything_gives_a_bounded_preview(name: str, mosaic: bool) -> None:
    """About 40 KB a frame whatever is in it; it decodes to finite numbers."""
    preview = make_preview(FRAMES[name], NO_STARS, mosaic=mosaic)
    assert len(preview.image.packed) <= IMAGE_BYTES
    assert len(preview.cutouts.packed) <= CUTOUT_BYTES
    assert preview.image.width * preview.image.height <= IMAGE_PIXELS
    assert np.isfinite(unpack(preview.image)).all()
    assert np.isfinite(unpack(preview.cutouts)).all()
    assert len(preview.corners) == 9


def test_a_large_frame_is_bounded_and_quick() -> None:
    """A 24-megapixel frame gives the same 40 KB."""
    tile, stars = sky(_random())
    preview = make_preview(np.tile(tile, (6, 6)), stars)
    assert len(preview.image.packed) + len(preview.cutouts.packed) <= 40_000
    assert preview.shrink == 16


def test_values_come_back_to_within_half_a_step() -> None:
    """Near the sky a step is two thirds of the noise; above it grows with the value."""
    image = sky(_random())[0].astype(np.float32)
    small = pack(image, 10_000_000)
    found = unpack(small)
    codes = np.frombuffer(zlib.decompress(small.packed), np.uint8).reshape(image.shape)
    step = np.hypot(small.soft_adu, found - small.zero_adu) / small.levels
    inside = (codes > 0) & (codes < 255)
    assert (np.abs(found - image)[inside] <= 0.51 * step[inside] + 0.01).all()
    assert inside.mean() > 0.999


def test_shrinking_keeps_the_light() -> None:
    """The mean of the preview is the mean of the frame: light is averaged, not picked."""
    image, stars = sky(_random())
    preview = make_preview(image, stars)
    assert unpack(preview.image).mean() == pytest.approx(image.mean(), rel=0.01)


def test_cut_outs_are_the_frames_own_pixels_around_stars() -> None:
    """Each cut-out holds its star in the middle, unless the frame's edge is nearer."""
    image, stars = sky(_random())
    preview = make_preview(image, stars)
    stack = unpack(preview.cutouts).reshape(9, CUTOUT_PX, CUTOUT_PX)
    places = np.column_stack([stars.x, stars.y])
    for (x, y), cut in zip(preview.corners, stack, strict=True):
        own = image[y : y + CUTOUT_PX, x : x + CUTOUT_PX].astype(float)
        assert np.corrcoef(cut.ravel(), own.ravel())[0, 1] > 0.99
        inside = (places >= (x, y)).all(axis=1) & (places < (x + 32, y + 32)).all(axis=1)
        assert inside.any()


def test_stored_and_loaded_unchanged(database: Path) -> None:
    """The database gives back what was put in, and a later one takes its place."""
    first, second = (make_preview(sky(np.random.default_rng(i))[0], NO_STARS) for i in (1, 2))
    engine = open_engine(str(database))
    for preview in (first, second):
        with writing(engine) as connection:
            put_previews(connection, {5: preview})
        with reading(engine) as connection:
            assert get_preview(connection, 5) == preview
