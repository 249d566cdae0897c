"""What a minute is worth, when a season is, and what is no horizon: worked by hand."""

import numpy as np
import pytest

from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.moon_law import MoonLaw, dark_air, kappa_of
from runlog.core.plan.season import Outlook, season_of, seasons
from runlog.core.plan.settings import horizon_fault
from runlog.core.plan.wanted import Action
from runlog.core.plan.worth import Sight, share_usable, worth_of_a_minute
from tests.core.plan.test_night import KNOWN, setting

DARK = MoonLaw(1.0, 0.0, 0.0, "none")


def worth(airmass, form, *, usual=1.0, extinction_mag=0.2, law=DARK, moon_nl=0.0):
    """Give the worth of a minute at one airmass, all of it kept."""
    values = (np.array([v], dtype=float) for v in (30.0, airmass, moon_nl, 90.0))
    return float(worth_of_a_minute(Sight(*values), law, 1.0, extinction_mag, form, usual)[0])


def test_light_falls_with_the_square_and_stars_widen():
    """Guards t T^2 / (FWHM^2 v): at airmass 2, 0.2 mag of light, and seeing as X^0.6 (Kolmogorov).

    By hand: T^2 is 10^(-0.4 x 0.2 x 2) = 10^-0.16; FWHM^2 grows by 2^1.2, for stars alone.
    """
    assert worth(2.0, DepthForm.EXTENDED) == pytest.approx(10**-0.16)
    stars = worth(2.0, DepthForm.POINT) / worth(2.0, DepthForm.EXTENDED)
    assert stars == pytest.approx(2**-1.2)
    assert worth(1.0, DepthForm.POINT, usual=1.0) == 1.0
    assert worth(float("nan"), DepthForm.POINT) == 0.0


def test_a_dark_sky_brightens_with_the_air_that_glows():
    """Guards X 10^(-0.4 k (X - 1)), the dark sky of Krisciunas and Schaefer 1991, equation 2."""
    assert dark_air(np.array([1.0, 2.0]), 0.15) == pytest.approx([1.0, 2 * 10**-0.06])


def test_a_bandwidth_has_the_moonlight_of_its_line():
    """Guards filters with a width in their name, and those that no table knows."""
    assert kappa_of("OIII 4nm") == kappa_of("OIII")
    assert kappa_of("slot 7") == kappa_of("V") == 1.0


def test_the_share_of_a_filter_leans_on_that_of_all():
    """Guards a filter of few hours: four hours of all filters' share stand beside its own."""
    assert share_usable(0.0, 0.0, 0.8) == pytest.approx(0.8)
    assert share_usable(3600.0, 4 * 3600.0, 0.75) == pytest.approx((1 + 3) / 8)


def test_a_season_begins_with_the_first_night_that_is_long_enough():
    """Guards an hour a night: half an hour is none, and a night of an hour itself is one."""
    usable = np.array([[0.0, 1800.0, 3600.0, 7200.0, 3599.0, 7200.0]])
    looked = Outlook(usable, usable, usable, usable / 2)
    action = Action("M 33", "L", 300.0, "usual", (1,))
    none, found = seasons(looked, [action], [object(), object()], setting())
    assert none is None
    assert (found.begins, found.ends, found.nights, found.now) == (2, 3, 2, False)
    assert found.obtainable_s == pytest.approx(KNOWN.p_clear * (1800.0 + 3600.0))
    assert season_of(usable[0, :2], usable[0, :2], 3600.0, 1.0).begins is None


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (((0.0, 20.0), (359.9, -5.0)), "hole"),
        (((0.0, 20.0),), "two points"),
        (((0.0, 20.0), (360.0, 20.0)), "out of range"),
        (((-1.0, 20.0), (180.0, 20.0)), "out of range"),
        (((0.0, 90.0), (180.0, 20.0)), "out of range"),
        (((0.0, 20.0), (180.0, -5.1)), "out of range"),
        (((0.0, 20.0), (90.0, 20.0), (90.0, 30.0)), "azimuth 90 twice"),
        (((90.0, 20.0), (0.0, 20.0)), "do not rise"),
    ],
)
def test_what_is_no_horizon_is_said(points, said):
    """Guards each rule of a horizon's points at its bound, and that all around is said."""
    assert said in horizon_fault(points).what


def test_a_horizon_all_around_is_one():
    """Guards points from north to just before north again, down to 5 degrees below level."""
    assert horizon_fault([(float(a), -5.0 if a else 89.9) for a in range(0, 360, 30)]) is None
