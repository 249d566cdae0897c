"""Levels of calibration frames."""

import numpy as np
import pytest

from runlog.measure import measure_level


def test_bias_level_and_noise_are_those_drawn():
    """Guards median and read noise of a bias frame of whole numbers."""
    rng = np.random.default_rng(1)
    bias = np.rint(rng.normal(512, 3.0, (800, 1000))).astype(np.uint16)
    level = measure_level(bias, ceiling_adu=65535)
    assert level.median_adu == pytest.approx(512, abs=0.6)
    assert level.noise_adu == pytest.approx(np.sqrt(9 + 1 / 12), rel=0.02)
    assert level.low_adu == pytest.approx(512 - 2.326 * 3, abs=1.1)
    assert level.high_adu == pytest.approx(512 + 2.326 * 3, abs=1.1)
    assert level.ceiling_adu == 65535
    assert level.corner_excess_adu <= 1


def test_light_leak_shows_in_one_corner():
    """Guards the leak of a dark: the brightest ninth above the faintest."""
    rng = np.random.default_rng(2)
    dark = rng.normal(300, 5, (900, 900))
    dark[:300, 600:] += 40
    assert measure_level(dark, ceiling_adu=None).corner_excess_adu == pytest.approx(40, abs=1.5)


def test_noise_of_a_flat_does_not_see_the_vignette():
    """Guards the pixel noise of a flat: the slope of the light cancels."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:800, :1000]
    shade = 30000 * (1 - 0.4 * (((x - 500) / 500) ** 2 + ((y - 400) / 400) ** 2) / 2)
    flat = shade + rng.normal(0, 120, shade.shape)
    assert measure_level(flat, ceiling_adu=65535).noise_adu == pytest.approx(120, rel=0.03)


def test_mosaic_compares_like_with_like():
    """Guards the noise of a one-shot colour flat: channels of different level do not add."""
    rng = np.random.default_rng(4)
    flat = rng.normal(0, 50, (600, 800))
    flat[0::2, 0::2] += 9000
    flat[0::2, 1::2] += 20000
    flat[1::2, 0::2] += 20000
    flat[1::2, 1::2] += 12000
    assert measure_level(flat, ceiling_adu=None).noise_adu == pytest.approx(50, rel=0.03)


def test_nothing_finite_gives_nan_not_an_error():
    """Guards empty calibration frames."""
    assert np.isnan(measure_level(np.full((20, 20), np.nan), ceiling_adu=None).median_adu)
