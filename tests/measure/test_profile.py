"""Profiles and curves of growth by photutils, on stars drawn with GalSim."""

import galsim
import numpy as np
import pytest

from runlog.measure.profile import star_profile
from runlog.measure.second_opinion import as_sampled
from tests.measure.fields import moffat, truth_of

SIDE = 81


def star(psf, offset=(0.0, 0.0), sky=300.0):
    drawn = psf.drawImage(nx=SIDE, ny=SIDE, scale=1.0, offset=offset).array
    return drawn.astype(float) * 5e4 + sky


@pytest.mark.parametrize(("fwhm", "tolerance"), [(2.5, 0.05), (4.0, 0.02), (8.0, 0.02)])
def test_a_gaussian_is_as_wide_as_it_was_drawn(fwhm, tolerance):
    """Guards the profile: the drawn width, blurred by a pixel twice, to 2 %.

    Once by sampling, once by counting rim pixels by area. The innermost circle, half a pixel in
    radius, stands for the top: at 2.5 px it lies 4 % below it, which widens the half by as much.
    """
    middle = (SIDE - 1) / 2
    found = star_profile(star(galsim.Gaussian(fwhm=fwhm), (0.3, -0.2)), middle + 0.3,
                         middle - 0.2, 4 * fwhm)  # fmt: skip
    assert found is not None
    assert found.fwhm_px == pytest.approx(as_sampled(as_sampled(fwhm)), rel=tolerance)
    # a Gaussian's half-flux radius is half its width (exact)
    assert found.half_flux_px == pytest.approx(as_sampled(as_sampled(fwhm)) / 2, rel=0.02)


def test_the_curve_of_growth_is_that_of_the_whole_star():
    """Guards the share: rises from nothing to all, half within 4 % of GalSim's radius."""
    psf = moffat(5.0, 3.2)
    middle = (SIDE - 1) / 2
    found = star_profile(star(psf), middle, middle, 30.0)
    assert found is not None
    assert found.share[-1] == 1
    assert np.all(np.diff(found.share) > -1e-3)
    assert found.half_flux_px == pytest.approx(truth_of(psf).hfr_px, rel=0.04)
    assert found.light.max() == 1
    assert len(found.ring_px) == len(found.light) == len(found.circle_px) == 60


def test_sky_without_a_star_has_no_profile():
    """Guards empty places: None where a dark spot is what was pointed at."""
    middle = (SIDE - 1) / 2
    assert star_profile(600 - star(moffat(3.0)), middle, middle, 8.0) is None


def test_a_star_at_the_edge_and_missing_pixels_do_not_fail():
    """Guards cut stars: what is not finite counts as sky."""
    cut = star(galsim.Gaussian(fwhm=4.0))[:, 30:]
    cut[:5] = np.nan
    found = star_profile(cut, 10.0, 40.0, 14.0)
    assert found is not None
    assert found.fwhm_px == pytest.approx(as_sampled(as_sampled(4.0)), rel=0.03)
