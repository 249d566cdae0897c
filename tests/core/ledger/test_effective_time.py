"""Depth of single frames: worked by hand from the published formula.

Neilsen, Bernstein, Gruendl and Kent 2016 (FERMILAB-TM-2610-AE-CD; from memory), in the form that
the design gives: t_eff = t T^2 (FWHM_ref / FWHM)^2 (v_ref / v), v the background variance a second.
"""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Lacks
from runlog.core.ledger.depth_reference import Reference
from runlog.core.ledger.effective_time import (
    DepthForm,
    depth,
    lacks,
    sky_depth,
    sky_depth_of,
    sky_variance,
)
from runlog.core.ledger.worth import Divisors
from tests.core.runs import altered, blank

START = datetime(2026, 10, 9, 22, tzinfo=UTC)
LIGHT = 1.0
REFERENCE = sky_depth(2.0, 4.0)  # 2 arcsec, 4 e^2 a second and square arcsec
DIVISORS = Divisors(
    Reference(LIGHT**2, 1, "a"),
    Reference(REFERENCE.point_s_e2, 1, "a"),
    Reference(REFERENCE.extended_s_arcsec2_e2, 1, "a"),
)


def effective_s(exposure_s, light, fwhm_arcsec, variance, form=DepthForm.POINT):
    """Weigh an exposure and divide by the reference."""
    found = depth(exposure_s, light, sky_depth(fwhm_arcsec, variance))
    return DIVISORS.effective_s(form.value, found.point_s2_adu2, found.extended_s2_arcsec2_adu2)


@pytest.mark.parametrize(
    ("form", "seconds"), [(DepthForm.POINT, 18.75), (DepthForm.EXTENDED, 75.0)]
)
def test_a_worked_frame(form, seconds):
    """300 s, 0.7071 of the light, twice the reference's width, twice its sky variance.

    By hand: 300 x 0.5 x (4 / 8) = 75 s; with (2 / 4)^2 for point sources 18.75 s.
    """
    assert effective_s(300.0, 0.5**0.5, 4.0, 8.0, form) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize("form", list(DepthForm))
def test_the_reference_counts_a_second_for_a_second(form):
    """A frame as good as the reference is worth its length, whatever is imaged."""
    assert effective_s(600.0, 1.0, 2.0, 4.0, form) == pytest.approx(600.0, rel=1e-12)


def test_half_the_light_is_a_quarter_and_twice_the_sky_half_of_the_time():
    """Signal grows as T and noise as sqrt(v): the time to one depth goes as v / T^2."""
    dim, lit = effective_s(300.0, 0.5, 2.0, 4.0), effective_s(300.0, 1.0, 2.0, 8.0)
    assert (dim, lit) == (pytest.approx(75.0), pytest.approx(150.0))


def test_variance_by_hand():
    """20 ADU of noise at 0.5 e/ADU, 2 arcsec a pixel, 100 s: (10 e / 2 arcsec)^2 / 100 s = 0.25."""
    assert sky_variance(20.0, 0.5, 100.0, 2.0) == 0.25


@given(st.floats(1, 1e4), st.floats(0.1, 10), st.floats(1, 4000), st.floats(0.3, 5))
def test_a_doubled_exposure_of_the_same_sky_doubles(rate, egain, length, px):
    """Photon noise: a sky of `rate` electrons a second and pixel brings a variance of rate x t.

    So the variance a second is rate over the pixel's area, and a doubled exposure under the same
    sky doubles the effective time; a variance per frame would leave it the same.
    """

    def variance(seconds):
        noise_adu = (rate * seconds) ** 0.5 / egain
        return sky_variance(noise_adu, egain, seconds, px)

    assert variance(length) == pytest.approx(rate / px**2)
    once, twice = (effective_s(t, 1.0, 2.0, variance(t)) for t in (length, 2 * length))
    assert twice == pytest.approx(2 * once)


@given(st.floats(10, 3000), st.floats(1, 500), st.floats(0.5, 8), st.floats(60, 900))
def test_it_goes_with_the_square_of_signal_to_noise(signal_adu, sky_adu, egain, length):
    """The CCD equation (Howell, Handbook of CCD Astronomy, 4.4; from memory), limited by the sky.

    S/N = S g / sqrt(n_pix sky g) with n_pix as FWHM^2: its square, over that of the reference, is
    the ratio of depths.
    """

    def ratio_of(light, sky):
        noise_adu = (sky / egain) ** 0.5
        found = depth(length, light, sky_depth(2.0, sky_variance(noise_adu, egain, length, 1.0)))
        sn2 = (light * signal_adu * egain) ** 2 / (2.0**2 * sky * egain)
        return found.point_s2_adu2, sn2

    (full, full_sn2), (part, part_sn2) = ratio_of(1.0, sky_adu), ratio_of(0.6, 2.5 * sky_adu)
    assert part / full == pytest.approx(part_sn2 / full_sn2)


def measured(**changes):
    """Give a light with all that depth needs, changed."""
    values = {
        "exposure_s": 300.0, "egain_e_adu": 0.5, "fwhm_px": 2.0, "noise_adu": 20.0,
        "pedestal_adu": 500.0, "pixel_um": 3.76, "focal_mm": 540.0,
    }  # fmt: skip
    return altered(blank("a", START, 300.0, "M 33", "L"), **(values | changes))


@pytest.mark.parametrize(
    ("missing", "why"),
    [("egain_e_adu", Lacks.GAIN), ("pedestal_adu", Lacks.ZERO), ("fwhm_px", Lacks.STARS)],
)
def test_what_is_unknown_is_no_zero(missing, why):
    """Without gain, zero level or width there is no depth, and it is said which is missing."""
    assert lacks(measured()) is None
    without = measured(**{missing: None})
    assert lacks(without) is why
    assert sky_depth_of(without) is None


def test_binned_two_by_two_is_as_deep():
    """Four pixels in one: their noise adds to twice, the stars are half as wide in pixels.

    Same sky, same optics: 1 / (FWHM^2 v) is the same in arc seconds.
    """
    whole = measured(binning_x=1)
    binned = measured(binning_x=2, fwhm_px=1.0, noise_adu=40.0)
    assert sky_depth_of(binned).point_s_e2 == pytest.approx(sky_depth_of(whole).point_s_e2)
    unknown = [measured(binning_x=b, fwhm_px=w, noise_adu=n, focal_mm=None)
               for b, w, n in ((1, 2.0, 20.0), (2, 1.0, 40.0))]  # fmt: skip
    one, two = (sky_depth_of(f).point_s_e2 for f in unknown)
    assert one == pytest.approx(two)


def test_gain_does_not_change_depth():
    """Twice the electrons per ADU, half the ADU: the same frame."""
    one, two = measured(), measured(egain_e_adu=1.0, noise_adu=10.0)
    assert replace(sky_depth_of(one)) == sky_depth_of(two)
