"""Effective time of single frames: worked by hand from the published formula.

Neilsen, Bernstein, Gruendl and Kent 2016 (FERMILAB-TM-2610-AE-CD), in the form that the design
gives: t_eff = t T^2 (FWHM_ref / FWHM)^2 (v_ref / v), v the background variance a second.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.ledger.effective_time import (
    DepthForm,
    DepthReference,
    effective_s,
    sky_variance,
)

REFERENCE = DepthReference(fwhm_arcsec=2.0, sky_variance=4.0)


@pytest.mark.parametrize(
    ("form", "seconds"), [(DepthForm.POINT, 18.75), (DepthForm.EXTENDED, 75.0)]
)
def test_a_worked_frame(form, seconds):
    """300 s, 0.7071 of the light, twice the reference's width, twice its sky variance.

    By hand: 300 x 0.5 x (4 / 8) = 75 s; with (2 / 4)^2 for point sources 18.75 s.
    """
    found = effective_s(300.0, 0.5**0.5, 4.0, 8.0, REFERENCE, form)
    assert found == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize("form", list(DepthForm))
def test_the_reference_counts_a_second_for_a_second(form):
    """A frame as good as the reference is worth its length, whatever is imaged."""
    assert effective_s(600.0, 1.0, 2.0, 4.0, REFERENCE, form) == 600.0


def test_half_the_light_is_a_quarter_and_twice_the_sky_half_of_the_time():
    """Signal grows as T and noise as sqrt(v): the time to one depth goes as v / T^2."""
    dim = effective_s(300.0, 0.5, 2.0, 4.0, REFERENCE, DepthForm.POINT)
    lit = effective_s(300.0, 1.0, 2.0, 8.0, REFERENCE, DepthForm.POINT)
    assert (dim, lit) == (75.0, 150.0)


def test_a_better_night_than_the_reference_is_worth_more():
    """Narrower stars and a darker sky than ever before: 300 s count as 1,200 by each."""
    assert effective_s(300.0, 1.0, 1.0, 4.0, REFERENCE, DepthForm.POINT) == 1200.0
    assert effective_s(300.0, 1.0, 1.0, 4.0, REFERENCE, DepthForm.EXTENDED) == 300.0
    assert effective_s(300.0, 1.0, 2.0, 1.0, REFERENCE, DepthForm.EXTENDED) == 1200.0


def test_variance_by_hand():
    """20 ADU of noise at 0.5 e/ADU, 2 arcsec a pixel, 100 s: (10 e / 2 arcsec)^2 / 100 s = 0.25."""
    assert sky_variance(20.0, 0.5, 100.0, 2.0) == 0.25


@given(st.floats(1, 1e4), st.floats(0.1, 10), st.floats(1, 4000), st.floats(0.3, 5))
def test_a_longer_exposure_of_the_same_sky_has_the_same_variance_a_second(rate, egain, length, px):
    """Photon noise: a sky of `rate` electrons a second and pixel brings a variance of rate x t.

    So the variance a second is rate over the pixel's area, and a doubled exposure under the same
    sky doubles the effective time; a variance per frame would leave it the same.
    """

    def variance(seconds):
        noise_adu = (rate * seconds) ** 0.5 / egain
        return sky_variance(noise_adu, egain, seconds, px)

    assert variance(length) == pytest.approx(rate / px**2)
    once, twice = (
        effective_s(t, 1.0, 2.0, variance(t), REFERENCE, DepthForm.POINT)
        for t in (length, 2 * length)
    )
    assert twice == pytest.approx(2 * once)
