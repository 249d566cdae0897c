"""Hot pixels counted against fields drawn with a known number of them."""

import numpy as np
import pytest

from runlog.measure import measure_frame
from runlog.measure.points import hot_pixels_ppm
from tests.measure.fields import draw_field, moffat


@pytest.mark.parametrize("fwhm_px", [1.5, 2.5, 6.0])
@pytest.mark.parametrize("wanted_ppm", [0, 100, 2000])
def test_hot_pixels_are_counted_among_stars_of_any_width(fwhm_px, wanted_ppm):
    """Single bright pixels set by hand are counted within a tenth; stars never are."""
    light = draw_field(moffat(fwhm_px), seed=4, stars=500, height=1000, width=1200).pixels
    light = light.astype(np.float32)
    rng = np.random.default_rng(9)
    before = hot_pixels_ppm(light - np.median(light), _noise(light))
    count = round(wanted_ppm * light.size / 1e6)
    places = rng.choice(light.size, count, replace=False)
    light.ravel()[places] += rng.uniform(60, 900, count) * _noise(light)
    found = hot_pixels_ppm(light - np.median(light), _noise(light))
    assert found - before == pytest.approx(wanted_ppm, rel=0.1, abs=5)


def _noise(light):
    return 1.4826 * float(np.median(np.abs(light - np.median(light))))


def test_no_star_is_taken_for_a_hot_pixel():
    """A field without hot pixels or cosmic rays has none, however narrow its stars."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[-6:7, -6:7]
    light = rng.normal(0, 1, (900, 900)).astype(np.float32)
    for _ in range(800):
        row, column = rng.integers(20, 880, 2)
        dy, dx = rng.uniform(-0.5, 0.5, 2)
        sigma = 1.5 / 2.3548
        star = np.exp(-((x - dx) ** 2 + (y - dy) ** 2) / 2 / sigma**2)
        light[row - 6 : row + 7, column - 6 : column + 7] += rng.uniform(16, 500) * star
    assert hot_pixels_ppm(light, 1.0) <= 15


def test_a_frame_says_how_many():
    """The share travels with the measurement; frames too small to tell say nothing."""
    drawn = draw_field(moffat(2.5), seed=4, stars=300, height=800, width=1000)
    assert measure_frame(drawn.pixels).hot_pixels_ppm is not None
    assert hot_pixels_ppm(np.zeros((40, 40), np.float32), 1.0) is None
    assert hot_pixels_ppm(np.zeros((900, 900), np.float32), 0.0) is None
