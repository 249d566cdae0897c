"""Read-out glitches, on drawn pixels and star lists."""

import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.measure.readout import find_glitch, rows_out_of_place

NOISE_ADU = 12.0


def sky(seed=3, shape=(600, 800)):
    """Draw a sky with noise, a gradient and some bright blobs, as 16-bit numbers."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    picture = 900 + 0.05 * y + 0.03 * x + NOISE_ADU * random.standard_normal(shape)
    for _ in range(150):
        cy, cx = random.uniform(0, shape[0]), random.uniform(0, shape[1])
        picture += random.uniform(100, 5000) * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 4)
    picture += 400 * np.exp(-((y - 300) ** 2 + (x - 400) ** 2) / 20000)  # a galaxy
    return np.clip(picture, 0, 65535).astype(np.uint16)


def repeated(picture):
    """Repeat one row over the next ones."""
    picture[200:240] = picture[200]
    return picture


def half(picture):
    """Lose the second half of the read-out."""
    picture[300:] = 0
    return picture


def banded(picture):
    """Lift blocks of rows by less than the eye sees in one pixel."""
    for start in range(0, 600, 120):
        picture[start : start + 40] += 30
    return picture


@pytest.mark.parametrize(("spoil", "word"), [(repeated, "repeat"), (half, "no picture"),
                                             (banded, "bands")])  # fmt: skip
def test_glitches_are_named(spoil, word):
    """Repeated rows, a lost half and bands are each told in words."""
    assert word in find_glitch(spoil(sky()), NOISE_ADU)


@pytest.mark.parametrize("seed", range(6))
def test_a_sound_frame_has_no_glitch(seed):
    """Stars, a galaxy and a gradient are not bands."""
    assert find_glitch(sky(seed), NOISE_ADU) is None


def test_a_block_read_out_twice_is_named():
    """Rows that repeat others further up are as wrong as rows that repeat their neighbour."""
    picture = sky()
    picture[400:450] = picture[100:150]
    assert find_glitch(picture, NOISE_ADU) == "50 rows repeat other rows"


def test_rows_out_of_place_are_found_by_their_stars():
    """Stars of a band of rows that meet none of the reference's are told with their rows."""
    random = np.random.default_rng(8)
    y = random.uniform(0, 1000, 150)
    order = StarList(tuple(random.uniform(0, 1000, 150)), tuple(y), tuple(np.arange(150.0, 0, -1)))
    all_but_band = {i for i in range(150) if not 400 <= y[i] < 560}
    whole = np.ones(150, bool)
    words = rows_out_of_place(order, all_but_band, whole)
    assert words is not None
    assert 395 <= int(words.split()[1]) <= 430
    assert rows_out_of_place(order, set(range(150)), whole) is None
    scattered = {i for i in range(150) if i % 3}
    assert rows_out_of_place(order, scattered, whole) is None


def test_a_mosaic_of_colours_is_not_banded():
    """Rows of a Bayer frame differ in level by colour, every second row alike."""
    picture = sky().astype(np.int32)
    picture[::2] += 300
    assert find_glitch(picture, NOISE_ADU) is None


def test_a_uniform_frame_says_nothing():
    """Without noise there is nothing to tell a glitch from."""
    assert find_glitch(np.full((600, 800), 500, np.uint16), 0.0) is None
