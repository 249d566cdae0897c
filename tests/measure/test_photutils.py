"""Our widths, radii and fluxes beside photutils' own, on fields drawn with GalSim.

photutils (Bradley et al., https://photutils.readthedocs.io, version 3) shares none of our code
but `circular_overlap_grid` in `fluxes.circle_sums`, and that only with itself here.
"""

from functools import cache

import galsim
import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.profiles import CurveOfGrowth, RadialProfile
from photutils.psf import fit_fwhm
from photutils.segmentation import SourceCatalog, detect_sources
from scipy.spatial import cKDTree

from runlog.core.frame import Measurement
from runlog.measure import measure_frame
from runlog.measure.fluxes import circle_sums
from runlog.measure.second_opinion import as_sampled
from tests.measure.fields import DrawnField, Sensor, draw_field, moffat

CLEAN = Sensor(hot_fraction=0.0, cosmic_rays=0)
BRIGHTEST = 25


@cache  # GalSim's objects compare by what they draw
def drawn(psf: galsim.GSObject) -> tuple[DrawnField, Measurement, np.ndarray]:
    """A field of bright stars far apart, our numbers, and the light above its known sky."""
    field = draw_field(psf, seed=3, stars=120, height=900, width=1200, sensor=CLEAN,
                       snr_range=(60.0, 900.0), separation_px=60.0)  # fmt: skip
    sky = CLEAN.sky_e / CLEAN.gain_e_adu + CLEAN.pedestal_adu
    return field, measure_frame(field.pixels), field.pixels.astype(float) - sky


def brightest(field: DrawnField, light: np.ndarray, margin: int = 45) -> np.ndarray:
    """Places (x, y) of the brightest stars inside a margin, as drawn."""
    height, width = light.shape
    inside = (
        (field.x > margin) & (field.x < width - margin)
        & (field.y > margin) & (field.y < height - margin)
    )  # fmt: skip
    order = np.argsort(-field.flux_e * inside)
    return np.column_stack([field.x, field.y])[order[:BRIGHTEST]]


@pytest.mark.parametrize("fwhm", [1.6, 2.5, 4.0, 7.0])
def test_gaussian_stars_are_as_wide_as_fit_fwhm_says(fwhm):
    """Guards FWHM: photutils' pixel-integrated fit, once sampled, within 1.5 %.

    Both are exact for Gaussians but for noise (0.3 % here) and ours for the Moffat that stands
    for a Gaussian, whose residual it corrects to 1 %.
    """
    field, found, light = drawn(galsim.Gaussian(fwhm=fwhm))
    side = max(5, int(np.ceil(3 * fwhm))) | 1
    theirs = np.median(fit_fwhm(light, xypos=brightest(field, light), fwhm=fwhm, fit_shape=side))
    assert theirs == pytest.approx(fwhm, rel=0.01)
    assert found.fwhm_px == pytest.approx(as_sampled(float(theirs)), rel=0.015)


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 7.0])
@pytest.mark.parametrize("beta", [2.7, 4.0])
def test_moffat_stars_are_as_wide_as_their_radial_profiles(fwhm, beta):
    """Guards FWHM: the Moffat that photutils fits to a profile of exact rings, within 3.5 %.

    Pixels counted by area and rings a pixel wide blur the star twice more, each like a pixel;
    taking both for Gaussians falls 3 % short on a Moffat's sharp top 2.5 px wide, less on wider
    ones. 25 stars scatter by 0.5 %.
    """
    field, found, light = drawn(moffat(fwhm, beta))
    edges = np.arange(0, 4 * fwhm + 1)
    widths = [RadialProfile(light, xy, edges).moffat_fwhm for xy in brightest(field, light)]
    assert as_sampled(as_sampled(found.fwhm_px)) == pytest.approx(np.median(widths), rel=0.035)


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 7.0])
def test_half_flux_radius_is_that_of_the_catalog(fwhm):
    """Guards half-flux radius: photutils' `flux_radius` within 4 %, and not above ours.

    It takes half of the Kron flux, which leaves 2 to 5 % of a Moffat's wings out: its radius is
    1 to 4 % smaller.
    """
    field, found, light = drawn(moffat(fwhm, 3.2))
    noise = np.sqrt(CLEAN.sky_e + CLEAN.read_noise_e**2)
    catalog = SourceCatalog(light, detect_sources(light, 3 * noise, n_pixels=5))
    middles = np.column_stack([catalog.x_centroid, catalog.y_centroid])
    _, which = cKDTree(middles).query(brightest(field, light))
    theirs = float(np.median(catalog[which].flux_radius(0.5).value))
    assert 0.96 * found.hfr_px < theirs < 1.01 * found.hfr_px


@pytest.mark.parametrize("fwhm", [2.5, 4.0, 7.0])
def test_half_flux_radius_is_that_of_the_curve_of_growth(fwhm):
    """Guards half-flux radius: photutils' curve out to 5 half-flux radii, within 3 %.

    Pixels counted by area blur the star once more: a Gaussian's half-flux radius, sigma
    sqrt(2 ln 2), grows by that of a pixel. And a Moffat of beta 3.2 has 1.5 % of its light
    beyond the curve, which brings the curve's half 1 to 2 % nearer.
    """
    field, found, light = drawn(moffat(fwhm, 3.2))
    radii = np.arange(0.25, 5 * found.hfr_px, 0.25)
    halves = []
    for xy in brightest(field, light):
        curve = CurveOfGrowth(light, xy, radii)
        halves.append(np.interp(curve.profile[-1] / 2, curve.profile, curve.radius))
    blurred = np.hypot(found.hfr_px, np.sqrt(2 * np.log(2) / 12))
    assert 0.97 * blurred < np.median(halves) < 1.01 * blurred


def test_circle_sums_are_those_of_circular_aperture():
    """Guards apertures: exact circles at sub-pixel places, to what 32-bit floats hold."""
    field, _, light = drawn(moffat(3.0))
    xy, radii = brightest(field, light), (2.3, 5.0, 8.7)
    ours = circle_sums(light.astype(np.float32), *xy.T, np.zeros(len(xy)), radii)
    table = aperture_photometry(light, [CircularAperture(xy, r) for r in radii])
    for k in range(len(radii)):
        assert ours[k] == pytest.approx(np.asarray(table[f"aperture_sum_{k}"]), rel=1e-5)


@pytest.mark.parametrize("fwhm", [2.5, 4.0])
def test_total_fluxes_are_what_a_large_circle_holds(fwhm):
    """Guards total fluxes: `CircularAperture` of 28 px, on the sky as drawn, within 1.5 %.

    Such a circle holds 99.5 % of the light and more; its noise is 28 sqrt(pi) x 22.6 ADU, 1 %
    of these stars, of whose ratios the median of 25 is taken.
    """
    field, found, light = drawn(moffat(fwhm, 3.2))
    xy = brightest(field, light)
    sums = np.asarray(aperture_photometry(light, CircularAperture(xy, 28.0))["aperture_sum"])
    listed = np.column_stack([found.star_list.x, found.star_list.y])
    apart, which = cKDTree(listed).query(xy)
    assert apart.max() < 0.1
    ratio = np.asarray(found.star_list.flux_adu)[which] / sums
    assert np.median(ratio) == pytest.approx(1.0, abs=0.015)
