"""Sky level, noise and gradient."""

import numpy as np
import pytest

from runlog.measure.background import measure_sky
from runlog.measure.pixels import as_plane
from tests.measure.fields import Sensor, add_galaxy, draw_field, moffat


def sky_of(pixels, bayer=None):
    return measure_sky(as_plane(np.asarray(pixels), bayer))


@pytest.mark.parametrize("sigma", [0.8, 2.0, 7.0, 30.0])
@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_noise_of_whole_numbers_is_not_quantised(sigma, kind):
    """Guards the noise of small-noise frames: a MAD of integers is off by up to 45 %.

    The noise of rounded values is sqrt(sigma^2 + 1/12). Under one ADU their distribution is no
    longer normal and its one-sigma quantile is 6 % off.
    """
    rng = np.random.default_rng(1)
    pixels = np.rint(rng.normal(300, sigma, (700, 900))).astype(kind)
    sky = sky_of(pixels)
    assert sky.noise_adu == pytest.approx(
        np.sqrt(sigma**2 + 1 / 12), rel=0.025 if sigma > 1 else 0.07
    )
    assert sky.median_adu == pytest.approx(300, abs=0.1 * sigma + 0.02)


def test_level_and_noise_do_not_see_the_stars():
    """Guards the sky against a crowded field: the drawn sky comes back within a tenth sigma."""
    drawn = draw_field(moffat(3), seed=1, stars=1500)
    sky = sky_of(drawn.pixels)
    assert sky.median_adu == pytest.approx(700, abs=0.12 * drawn.noise_e)
    assert sky.noise_adu == pytest.approx(drawn.noise_e, rel=0.03)


def test_gradient_is_the_span_of_a_tilted_sky():
    """Guards gradient_adu: a plane rising by 300 ADU over the diagonal reads 300, less the rim.

    The mesh ends half a tile inside the frame, so it sees a little less than the whole span.
    """
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:900, :1200]
    tilted = rng.normal(1000, 10, (900, 1200)) + 150 * x / 1200 + 150 * y / 900
    assert sky_of(tilted).gradient_adu == pytest.approx(300 * (1 - 54 / 1000), rel=0.05)
    assert sky_of(rng.normal(1000, 10, (900, 1200))).gradient_adu < 10


def test_sky_beside_a_bright_galaxy_is_the_sky():
    """Guards the mesh: a galaxy a hundred pixels wide does not lift the sky of the frame."""
    drawn = draw_field(moffat(3), seed=3, stars=200, sensor=Sensor(sky_e=500))
    add_galaxy(drawn.pixels, 500, 500, 3e6, 40, 0.6, 20)
    sky = sky_of(drawn.pixels)
    assert sky.median_adu == pytest.approx(700, abs=0.15 * drawn.noise_e)
    assert sky.noise_adu == pytest.approx(drawn.noise_e, rel=0.04)


def test_green_is_the_sky_of_a_mosaic():
    """Guards Bayer frames: red and blue at other levels do not mix into the green sky."""
    rng = np.random.default_rng(4)
    mosaic = rng.normal(1000, 12, (600, 800))
    mosaic[0::2, 0::2] -= 400
    mosaic[1::2, 1::2] += 300
    sky = sky_of(mosaic, "RGGB")
    assert sky.median_adu == pytest.approx(1000, abs=1)
    assert sky.noise_adu == pytest.approx(12, rel=0.03)


def test_rows_follow_a_slope_to_the_edges():
    """Guards the interpolation: a noiseless plane is given back at every pixel."""
    y, x = np.mgrid[:400, :500].astype(np.float32)
    plane = 100 + 0.5 * x + 0.25 * y
    sky, drawn = sky_of(plane), np.empty((400, 500), np.float32)
    assert np.abs(sky.rows(0, 400, sky.across(500), drawn) - plane).max() < 4
