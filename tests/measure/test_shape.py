"""Widths and ellipses against closed formulas and GalSim."""

import numpy as np
import pytest

from runlog.measure.empirical import MeanResidual, corrected_shape
from runlog.measure.shape import (
    adaptive_moments,
    angle_of,
    axis_ratio_of,
    eccentricity_error,
    eccentricity_of,
    length_without_noise,
    moffat_growth,
    scale_matrix,
)
from tests.measure.fields import moffat, truth_of


def moffat_matrix(fwhm_px, beta, axis_ratio, angle_deg):
    """Scales of a Moffat: FWHM = 2 alpha sqrt(2^(1/beta) - 1) (Moffat 1969, A&A 3, 455)."""
    alpha = fwhm_px / 2 / np.sqrt(2 ** (1 / beta) - 1)
    e = (1 - axis_ratio**2) / (1 + axis_ratio**2)
    turn = np.radians(2 * angle_deg)
    return scale_matrix(np.log(alpha), e * np.cos(turn), e * np.sin(turn))


@pytest.mark.parametrize(
    ("fwhm_px", "beta", "axis_ratio"),
    [(1.5, 2.5, 1.0), (2.0, 3.0, 0.5), (4.0, 3.0, 0.7), (8.0, 4.7, 0.55)],
)
def test_pixel_averaged_moffat_is_as_wide_as_galsim_draws_it(fwhm_px, beta, axis_ratio):
    """Guards the pixel-convolved width, shape and half-flux radius against GalSim's drawing.

    GalSim's areas are counted in cells, which is good to about half a percent.
    """
    truth = truth_of(moffat(fwhm_px, beta, axis_ratio, 30))
    matrix = moffat_matrix(fwhm_px, beta, axis_ratio, 30)
    shape = corrected_shape(matrix, beta, MeanResidual(np.zeros((9, 9)), 1))
    assert shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.008)
    assert axis_ratio_of(shape.e1, shape.e2) == pytest.approx(truth.axis_ratio, abs=0.003)
    growth = moffat_growth(matrix, beta)
    assert growth.half_flux_radius_px == pytest.approx(truth.hfr_px, rel=0.012)
    if axis_ratio < 1:
        assert angle_of(shape.e1, shape.e2) == pytest.approx(30, abs=0.3)


def test_gaussian_limit_has_its_half_flux_radius_at_half_its_width():
    """Guards the curve of growth: a Gaussian's half-flux radius is half its FWHM."""
    matrix = moffat_matrix(12.0, 200.0, 1.0, 0)
    assert moffat_growth(matrix, 200.0).half_flux_radius_px == pytest.approx(6.0, rel=0.01)


def test_moffat_growth_follows_the_closed_formula():
    """Guards the share of light in a circle: 1 - (1 + (r/alpha)^2)^(1 - beta)."""
    beta, alpha = 3.0, 10.0
    growth = moffat_growth(np.eye(2) * alpha**2, beta)
    for radius in (5.0, 12.0, 30.0):
        expected = 1 - (1 + (radius / alpha) ** 2) ** (1 - beta)
        assert growth.within(radius) == pytest.approx(expected, abs=0.006)


def test_adaptive_moments_of_a_gaussian_are_its_own():
    """Guards the moment iteration: a sheared Gaussian gives back its axis ratio and angle."""
    axis = np.arange(-15, 16.0)
    x, y = axis[None, :], axis[:, None]
    cos, sin = np.cos(0.6), np.sin(0.6)
    u, v = x * cos + y * sin, -x * sin + y * cos
    light = np.exp(-0.5 * ((u / 4) ** 2 + (v / 2) ** 2))
    e1, e2 = adaptive_moments(light[None], axis, 2.5)
    assert axis_ratio_of(e1[0], e2[0]) == pytest.approx(0.5, abs=0.002)
    assert angle_of(e1[0], e2[0]) == pytest.approx(np.degrees(0.6), abs=0.1)


@pytest.mark.parametrize("axis_ratio", [1.0, 0.9, 0.6, 0.3])
def test_axis_ratio_and_eccentricity_follow_their_definitions(axis_ratio):
    """Guards e = sqrt(1 - (b/a)^2) and the round trip through ellipticity components."""
    length = (1 - axis_ratio**2) / (1 + axis_ratio**2)
    assert axis_ratio_of(length, 0.0) == pytest.approx(axis_ratio)
    assert eccentricity_of(axis_ratio) == pytest.approx(np.sqrt(1 - axis_ratio**2))


def test_eccentricity_error_near_round_reaches_up_to_what_may_be():
    """Guards the error at e = 0: finite, not zero, and what one error of the length makes.

    An ellipticity (a^2 - b^2) / (a^2 + b^2) of 0.001 is an eccentricity of sqrt(2 x 0.001 /
    1.001) = 0.0447.
    """
    assert eccentricity_error(0.0, 0.001) == pytest.approx(0.0447, abs=0.0001)
    assert eccentricity_error(0.0, 0.0) == 0
    assert eccentricity_error(0.3, 0.001) == pytest.approx(0.001 / (0.6794 * 1.69), rel=0.01)
    assert eccentricity_error(0.99, 0.5) < 1


def test_noise_is_taken_out_of_a_length():
    """Guards the bias: sure lengths lose b^2 / 2p (the quadratic difference), none becomes zero.

    At p = b the formula gives p (1 - (1 - 1/e) / 2) = 0.6839 p.
    """
    assert length_without_noise(0.1, 0.01) == pytest.approx(np.sqrt(0.1**2 - 0.01**2), rel=1e-3)
    assert length_without_noise(0.01, 0.01) == pytest.approx(0.006839, rel=1e-3)
    assert 0 < length_without_noise(0.001, 0.01) < 0.001
    assert length_without_noise(0.02, 0.0) == 0.02
    assert length_without_noise(0.0, 0.01) == 0


@pytest.mark.parametrize("sigmas", [0.0, 0.5, 1.0, 2.0, 4.0])
def test_eccentricity_plus_its_error_is_a_fair_upper_limit(sigmas):
    """Guards what a reader makes of value and error: truth under their sum, 84 % of the time.

    Also within value +- error in most cases, at any length; 84 % is a normal number's share
    below one sigma.
    """
    noise, true = 0.004, sigmas * 0.004
    drawn = np.random.default_rng(5).normal([true, 0.0], noise, (3000, 2))
    lengths = [length_without_noise(length, noise) for length in np.hypot(*drawn.T)]
    value = np.array([eccentricity_of(axis_ratio_of(length, 0.0)) for length in lengths])
    error = np.array([eccentricity_error(length, noise) for length in lengths])
    truth = eccentricity_of(axis_ratio_of(true, 0.0))
    assert np.mean(truth <= value + error) >= 0.84
    assert np.mean(np.abs(truth - value) <= error) > 0.55
    assert (error > 0).all()
    assert error.max() < 0.12
