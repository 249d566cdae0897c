"""Drawn stars against GalSim: width, shape, pixels and flux."""

import math

import galsim
import numpy as np
import pytest

from samples.maker.psf import OVERSAMPLE, Optics, Psf, measured_shape
from samples.maker.stars import draw_stars

FLAT_FIELD = Optics(corner_rise=0.0, tilt=0.0, corner_flattening=0.0)
PSFS = {
    "undersampled": Psf(1.5),
    "usual": Psf(2.2, axis_ratio=0.95, angle_deg=30.0),
    "wide": Psf(6.0, axis_ratio=0.8, angle_deg=110.0),
    "trailed": Psf(2.2, trail_px=7.0, trail_deg=20.0),
    "defocused": Psf(2.2, blur_px=5.0),
}


def _galsim(psf: Psf) -> galsim.GSObject:
    """Build the same star, with its pixel, out of GalSim's own profiles."""
    shear = galsim.Shear(q=psf.axis_ratio, beta=psf.angle_deg * galsim.degrees)
    parts = [galsim.Moffat(beta=psf.beta, fwhm=psf.fwhm_px).shear(shear)]
    if psf.blur_px:
        parts.append(galsim.TopHat(psf.blur_px / 2.0))
    if psf.trail_px:
        parts.append(galsim.Box(psf.trail_px, 0.01).rotate(psf.trail_deg * galsim.degrees))
    parts.append(galsim.Pixel(1.0))
    return galsim.Convolve(parts, gsparams=galsim.GSParams(maximum_fft_size=16384))


@pytest.mark.parametrize("name", list(PSFS))
def test_stated_shape_is_the_shape_galsim_finds(name: str) -> None:
    """Guards Truth: FWHM from the half-maximum area, ratio and angle from adaptive moments."""
    shape = measured_shape(PSFS[name])
    image = _galsim(PSFS[name]).drawImage(nx=601, ny=601, scale=0.05, method="no_pixel")
    area_px2 = (image.array > image.array.max() / 2.0).sum() * 0.05**2
    assert shape.fwhm_px == pytest.approx(2.0 * math.sqrt(area_px2 / math.pi), rel=0.005)
    # A first guess far from the width, in 0.05 px samples, does not converge on trails.
    limits = galsim.hsm.HSMParams(max_mom2_iter=4000)
    moments = galsim.hsm.FindAdaptiveMom(image, guess_sig=40.0, hsmparams=limits)
    e1, e2 = moments.observed_shape.e1, moments.observed_shape.e2
    e = math.hypot(e1, e2)
    assert shape.axis_ratio == pytest.approx(math.sqrt((1 - e) / (1 + e)), abs=0.005)
    if e > 0.02:
        turned = (shape.angle_deg - math.degrees(math.atan2(e2, e1)) / 2.0 + 90.0) % 180.0 - 90.0
        assert abs(turned) < 1.0


def _one_star(psf: Psf, x: float, y: float, flux_e: float, side: int = 61) -> np.ndarray:
    frame = np.zeros((side, side), dtype=np.float32)
    draw_stars(frame, np.array([x]), np.array([y]), np.array([flux_e]), psf, FLAT_FIELD)
    return frame


@pytest.mark.parametrize("name", list(PSFS))
def test_stamp_has_galsims_pixels(name: str) -> None:
    """Guards sub-pixel placing and pixel integration: every pixel within 0.5 % of the peak."""
    dx, dy = 3 / OVERSAMPLE, -2 / OVERSAMPLE
    ours = _one_star(PSFS[name], 30.0 + dx, 30.0 + dy, 1e5)
    drawn = (1e5 * _galsim(PSFS[name])).drawImage(
        nx=61, ny=61, scale=1.0, method="no_pixel", offset=(dx, dy)
    )
    assert np.abs(ours - drawn.array).max() < 0.005 * drawn.array.max()


@pytest.mark.parametrize("name", list(PSFS))
def test_flux_is_kept(name: str) -> None:
    """Guards photometry: all of a star's light is drawn, wings of bright stars included."""
    frame = _one_star(PSFS[name], 120.3, 119.8, 1e6, side=241)
    assert frame.sum() == pytest.approx(1e6, rel=0.002)


def test_doubled_star_has_two_peaks_sixty_to_forty() -> None:
    """Guards the knock: two images 12 px apart, fluxes 3:2, nothing lost."""
    frame = _one_star(Psf(2.2, double_px=12.0, double_deg=90.0), 30.0, 24.0, 1e5)
    assert frame[24, 30] / frame[36, 30] == pytest.approx(1.5, rel=0.02)
    assert frame.sum() == pytest.approx(1e5, rel=0.01)


def test_stars_over_the_edge_are_cut_not_lost() -> None:
    """Guards the frame's edge: half of a star centred on the border is on the frame."""
    frame = _one_star(Psf(2.2), 30.0, -0.5, 1e5)
    assert frame.sum() == pytest.approx(0.5e5, rel=0.01)
