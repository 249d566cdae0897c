"""The quarter-wave zone against GalSim, and what a step is by how fast stars widen."""

import galsim
import numpy as np
import pytest

from runlog.core.focus.zone import off_by, quarter_wave_um, step_um, zone_of


@pytest.mark.parametrize(
    ("wavelength_nm", "ratio", "um"), [(550, 6, 39.6), (656.3, 5, 32.8), (550, 4, 17.6)]
)
def test_a_quarter_wave(wavelength_nm, ratio, um):
    """2 lambda N^2 by arithmetic."""
    assert quarter_wave_um(wavelength_nm, ratio) == pytest.approx(um, abs=0.05)


def test_what_a_quarter_wave_costs():
    """GalSim's optical PSF with a quarter wave of defocus: a Strehl ratio of 0.8106.

    A quarter from middle to edge is 0.25 / (2 sqrt 3) waves rms, (sin(pi/4) / (pi/4))^2 by theory.
    """
    dull = galsim.OpticalPSF(lam_over_diam=1.0, defocus=0.25 / (2 * np.sqrt(3)), oversampling=4)
    sharp = galsim.OpticalPSF(lam_over_diam=1.0, oversampling=4)
    peaks = [
        psf.drawImage(nx=9, ny=9, scale=0.1, method="no_pixel").array[4, 4] for psf in (dull, sharp)
    ]
    strehl = (np.sin(np.pi / 4) / (np.pi / 4)) ** 2
    assert strehl == pytest.approx(0.8106, abs=1e-4)
    assert peaks[0] / peaks[1] == pytest.approx(strehl, abs=0.002)


@pytest.mark.parametrize("obstruction", [0.0, 0.5])
def test_a_step_by_the_arms(obstruction):
    """GalSim's half-flux radius of discs and rings of a known defocus gives the step back."""
    ratio, pixel_um, true_um, steps = 6.0, 4.8, 3.2, 400
    across = true_um * steps / ratio / pixel_um  # px
    disc = galsim.TopHat(across / 2)
    if obstruction:
        hole = galsim.TopHat(across / 2 * obstruction, flux=obstruction**2)
        disc = galsim.Add(disc, -hole)
    image = disc.drawImage(nx=257, ny=257, scale=0.25, method="no_pixel").array
    y, x = np.indices(image.shape) - 128.0
    order = np.argsort(np.hypot(x, y), axis=None)
    grown = np.cumsum(image.ravel()[order])
    half = np.hypot(x, y).ravel()[order][np.searchsorted(grown, grown[-1] / 2)] * 0.25
    low, high = step_um(half / steps, pixel_um, ratio)
    assert (low if obstruction else high) == pytest.approx(true_um, rel=0.02)
    assert low < high


@pytest.mark.parametrize(
    ("focal", "aperture", "reason"),
    [(None, 90.0, "no header tells the focal length"), (540.0, None, "APTDIA")],
)
def test_unknown(focal, aperture, reason):
    """Without focal length or aperture there is no focal ratio, and so it is said."""
    zone = zone_of("L", focal, aperture, 0.02, 4.8)
    assert zone.um is None
    assert reason in zone.reason


def test_in_steps_only_where_a_step_is_known():
    """No sweep, no step; and frames' width gives a distance from focus by Pythagoras."""
    assert zone_of("L", 540.0, 90.0, None, 4.8).steps_low is None
    assert zone_of("L", 540.0, 90.0, 0.02, 4.8).steps_low == pytest.approx(24.31, abs=0.01)
    assert off_by(5.0, 4.0, 0.25) == pytest.approx(12.0)
    assert off_by(4.0, 4.1, 0.25) == 0
