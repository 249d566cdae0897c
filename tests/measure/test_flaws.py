"""Read-out glitches and doubled stars, on drawn pixels and star lists."""

import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.measure.doubled import apart_in_picture, find_doubling
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


def stars(seed, count=120, offset=None, share=1.0):
    """Scatter stars, a share of them with a second image at one offset."""
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 3000, count), random.uniform(0, 2000, count)
    flux = 1e5 * random.pareto(1.2, count) + 1e3
    if offset is not None:
        twice = random.random(count) < share
        x = np.concatenate([x, x[twice] + offset[0] + 0.1 * random.standard_normal(twice.sum())])
        y = np.concatenate([y, y[twice] + offset[1] + 0.1 * random.standard_normal(twice.sum())])
        flux = np.concatenate([flux, 0.6 * flux[twice]])
    order = np.argsort(-flux)[:200]
    return StarList(*(tuple(v[order].tolist()) for v in (x, y, flux)))


@pytest.mark.parametrize("seed", range(5))
def test_doubled_stars_are_found_with_their_offset(seed):
    """Every star twice gives the offset to a fraction of a pixel."""
    found = find_doubling(stars(seed, offset=(9.0, -14.0)), 2.5)
    assert found is not None
    assert abs(found.dx_px) == pytest.approx(9.0, abs=0.3)
    assert found.apart_px == pytest.approx(np.hypot(9, 14), abs=0.3)
    assert found.share > 0.3


@pytest.mark.parametrize("seed", range(40))
def test_chance_pairs_are_no_doubling(seed):
    """Random fields, also crowded ones, never look doubled."""
    assert find_doubling(stars(seed, count=200), 2.5) is None


def test_too_few_stars_to_tell():
    """A handful of stars proves nothing."""
    assert find_doubling(stars(1, count=5, offset=(8, 8)), 2.5) is None


def long_star(kind, length_px=8.0, angle_deg=30.0, sigma_px=1.3, size=41):
    """Draw a mean star that is doubled, trailed or single."""
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    steps = {"doubled": [-0.5, 0.5], "trailed": np.linspace(-0.5, 0.5, 41), "single": [0.0]}[kind]
    turn = np.radians(angle_deg)
    picture = np.zeros((size, size))
    for step in steps:
        cx, cy = step * length_px * np.cos(turn), step * length_px * np.sin(turn)
        picture += np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma_px**2))
    return picture / picture.max()


def test_merged_images_are_told_from_a_trail():
    """Two peaks with a dip between them are a doubled star; an even trail is not."""
    e1, e2 = 0.4 * np.cos(np.radians(60)), 0.4 * np.sin(np.radians(60))
    assert apart_in_picture(long_star("doubled"), e1, e2) == pytest.approx(8.0, abs=0.5)
    assert apart_in_picture(long_star("trailed"), e1, e2) is None
    assert apart_in_picture(long_star("single"), 0.01, 0.0) is None
