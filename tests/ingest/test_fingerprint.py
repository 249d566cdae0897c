"""The content key follows the pixels and nothing else."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from runlog.ingest.fingerprint import content_key

SHAPES = hnp.array_shapes(min_dims=2, max_dims=2, max_side=6)
NOON, MIDNIGHT = "2026-10-09 12:00", "2026-10-09 00:00"


def key(pixels, start=NOON):
    """Give the key of pixels."""
    return content_key(np.asarray(pixels), start)


@given(hnp.arrays(np.uint16, SHAPES))
def test_whole_numbers_have_one_key_in_every_type(pixels):
    """16-bit values give one key as 16, 32 and 64-bit integers and as floats, in either order."""
    kinds = ("<u2", ">u2", "<i4", ">i4", "<i8", "<f4", ">f4", "<f8", ">f8")
    assert len({key(pixels.astype(kind)) for kind in kinds}) == 1
    assert key(np.asfortranarray(pixels)) == key(pixels)


@given(hnp.arrays(np.float32, SHAPES, elements=st.floats(width=32, allow_infinity=True)))
def test_single_floats_have_one_key_as_doubles(pixels):
    """Re-saving 32-bit floats as 64-bit ones loses nothing and changes nothing, NaN included."""
    assert key(pixels.astype(np.float64)) == key(pixels)


@given(hnp.arrays(np.int16, SHAPES), st.data())
def test_one_changed_pixel_changes_the_key(pixels, data):
    """No two different frames share a key."""
    changed = pixels.astype(np.int32)
    row = data.draw(st.integers(0, pixels.shape[0] - 1))
    column = data.draw(st.integers(0, pixels.shape[1] - 1))
    changed[row, column] += data.draw(st.sampled_from([-1, 1, 70_000]))
    assert key(changed) != key(pixels)


def test_shape_counts():
    """The same numbers in another shape are another frame."""
    values = np.arange(12, dtype=np.uint16)
    assert key(values.reshape(3, 4)) != key(values.reshape(4, 3))
    assert key(values.reshape(3, 2, 2)) != key(values.reshape(3, 4))


@pytest.mark.parametrize("value", [0, 65535, np.nan])
def test_featureless_frames_differ_by_their_start(value):
    """All-black, all-saturated and all-empty frames are told apart by when they were taken."""
    pixels = np.full((4, 5), value, np.float32)
    assert key(pixels, NOON) == key(pixels, NOON)
    assert key(pixels, NOON) != key(pixels, MIDNIGHT)


def test_the_start_does_not_matter_otherwise():
    """A corrected clock does not make another frame of the same pixels."""
    pixels = np.arange(20, dtype=np.uint16).reshape(4, 5)
    assert key(pixels, NOON) == key(pixels, MIDNIGHT)


def test_fractions_matter():
    """Values that differ only behind the point are different frames."""
    pixels = np.arange(20, dtype=np.float64).reshape(4, 5)
    assert key(pixels + 1e-9) != key(pixels)
