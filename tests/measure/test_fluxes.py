"""Total fluxes: right for any width, near the photon noise, untouched by neighbours."""

import galsim
import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.measure import measure_frame
from runlog.measure.fluxes import circle_sums, held, median_peak, total_fluxes
from runlog.measure.residual import remove_points
from runlog.measure.shape import moffat_growth
from tests.measure.fields import draw_field, moffat, noise_pixels

SIDE = 121  # of a drawn stamp: 60 px of wings each way
SKY_NOISE = 30.0


def curve(fwhm_px, beta):
    scale = fwhm_px / 2 / np.sqrt(2 ** (1 / beta) - 1)
    return moffat_growth(np.eye(2) * scale**2, beta)


def drawn(fwhm_px, beta, offset=(0.0, 0.0)):
    """One star of unit flux in the middle of a stamp, drawn by GalSim."""
    return moffat(fwhm_px, beta).drawImage(nx=SIDE, ny=SIDE, scale=1.0, offset=offset).array


def row_of_stars(rng, fwhm_px, beta, flux, count):
    """Stars side by side at random sub-pixel places, without noise."""
    offsets = rng.uniform(-0.5, 0.5, (count, 2))
    light = np.hstack([drawn(fwhm_px, beta, tuple(o)) * flux for o in offsets])
    middle = (SIDE - 1) / 2
    return light, middle + SIDE * np.arange(count) + offsets[:, 0], middle + offsets[:, 1]


@pytest.mark.parametrize("beta", [2.7, 4.5])
@pytest.mark.parametrize("fwhm", [1.8, 3.0, 5.0, 8.0])
def test_the_whole_light_is_measured_whatever_the_width(fwhm, beta):
    """Guards comparability: the flux GalSim drew, within 0.7 %, at every width and profile."""
    rng = np.random.default_rng(1)
    light, x, y = row_of_stars(rng, fwhm, beta, 1e5, 12)
    noisy = (light + rng.normal(0, 1, light.shape)).astype(np.float32)
    flux = total_fluxes(noisy, x, y, curve(fwhm, beta))
    assert np.median(flux) == pytest.approx(1e5, rel=0.007)
    assert np.ptp(flux) < 0.01 * 1e5


@pytest.mark.parametrize(("fwhm", "radius"), [(2.0, 2.0), (2.5, 2.5), (4.0, 3.5)])
def test_rim_pixels_counted_by_area_hold_less_than_the_circle(fwhm, radius):
    """Guards the second blur: the mean sum over sub-pixel places that GalSim draws."""
    light, x, y = row_of_stars(np.random.default_rng(2), fwhm, 3.2, 1.0, 60)
    sums = circle_sums(light.astype(np.float32), x, y, np.zeros(60), (radius,))[0]
    growth = curve(fwhm, 3.2)
    assert held(growth, radius, 1) == pytest.approx(sums.mean(), rel=0.003)
    assert growth.within(radius) > 1.005 * sums.mean()


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 8.0])
def test_faint_fluxes_scatter_little_more_than_photon_noise(fwhm):
    """Guards the noise: within 1.45 of the bound sqrt(noise pixels) x sky noise.

    The Cramer-Rao bound of a flux on a known sky, King 1983, PASP 95, 163 (from memory).
    """
    rng = np.random.default_rng(3)
    bound = SKY_NOISE * np.sqrt(noise_pixels(drawn(fwhm, 3.2)[None]))
    light, x, y = row_of_stars(rng, fwhm, 3.2, 25 * bound, 150)
    noisy = (light + rng.normal(0, SKY_NOISE, light.shape)).astype(np.float32)
    flux = total_fluxes(noisy, x, y, curve(fwhm, 3.2))
    assert np.std(flux) < 1.45 * bound
    assert np.mean(flux) == pytest.approx(25 * bound, abs=4 * 1.45 * bound / np.sqrt(150))


def test_a_neighbours_light_is_left_out():
    """Guards blends: half of a neighbour's light in the circle adds under 5 %, not 15."""
    rng = np.random.default_rng(4)
    light, x, y = row_of_stars(rng, 5.0, 3.2, 1e5, 9)
    for k in (2, 5):
        light += galsim_at(light.shape, x[k] + 8.5, y[k], 5.0) * 3e4
    noisy = (light + rng.normal(0, SKY_NOISE, light.shape)).astype(np.float32)
    flux = total_fluxes(noisy, x, y, curve(5.0, 3.2))
    assert flux[[2, 5]] == pytest.approx(np.median(flux), rel=0.05)


def galsim_at(shape, x, y, fwhm_px):
    """One star of unit flux anywhere in a picture."""
    middle = galsim.PositionD(x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2)
    return moffat(fwhm_px, 3.2).drawImage(nx=shape[1], ny=shape[0], scale=1.0, offset=middle).array


def test_removing_points_keeps_faint_wide_stars_whole():
    """Guards faint stars: noise that lifts a pixel of a star is no hot pixel."""
    rng = np.random.default_rng(5)
    light, x, y = row_of_stars(rng, 6.0, 3.2, 12000.0, 200)  # peaks of five times the noise
    light = (light + rng.normal(0, SKY_NOISE, light.shape)).astype(np.float32)
    hot = light.copy()
    hot[5, 3::SIDE] = 12 * SKY_NOISE
    before = circle_sums(light, x, y, np.zeros(200), (6.0,))[0]
    assert remove_points(hot, SKY_NOISE) >= 200
    assert hot[5, 3::SIDE].max() < 3 * SKY_NOISE
    after = circle_sums(hot, x, y, np.zeros(200), (6.0,))[0]
    assert np.mean(after) == pytest.approx(np.mean(before), rel=0.001)


@pytest.mark.parametrize("fwhm", [1.8, 3.0, 6.0])
def test_the_peak_is_that_of_the_brightest_stars(fwhm):
    """The median of the 25 highest drawn stars' highest pixels, by numpy at the drawn places."""
    field = draw_field(moffat(fwhm), seed=6, stars=400, height=900, width=1000)
    brightest = np.argsort(-field.flux_e)[:25]
    light = field.pixels - np.median(field.pixels)
    peaks = []
    for x, y in zip(field.x[brightest], field.y[brightest], strict=True):
        row, column = round(y), round(x)
        peaks.append(light[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2].max())
    found = measure_frame(field.pixels).peak_adu
    assert found == pytest.approx(np.median(peaks), rel=0.02)


def test_the_peak_falls_when_stars_widen():
    """Stars twice as wide as sampled: a quarter of the peak for their light; too few tell none."""
    fields = [draw_field(moffat(w), seed=6, stars=400, height=900, width=1000) for w in (2.5, 5.0)]
    sharp, soft = (
        measure_frame(field.pixels).peak_adu / np.median(np.sort(field.flux_e)[-25:])
        for field in fields
    )
    ratio = fields[0].truth.fwhm_px / fields[1].truth.fwhm_px
    assert soft / sharp == pytest.approx(ratio**2, rel=0.08)
    few = StarList((5.0,) * 24, (5.0,) * 24, (1.0,) * 24)
    assert median_peak(np.ones((20, 20), np.float32), few, 1.5) is None
    assert median_peak(np.ones((20, 20), np.float32), few, None) is None
