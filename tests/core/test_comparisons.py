"""Amounts with units as a person types them."""

import pytest
from astropy import units

from runlog.core.comparisons import OPERATORS, TURNED, amount, factor


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("2.1", (2.1, "")),
        ("2.1px", (2.1, "px")),
        ("5min", (5.0, "min")),
        ("-10°c", (-10.0, "°c")),
        (".5", (0.5, "")),
        ("+3.", (3.0, "")),
        ("px", None),
        ("1e3", None),
        ("2.1.3", None),
    ],
)
def test_a_number_and_its_unit(word, said):
    """Guards what is a number with a unit, and what is a word."""
    assert amount(word) == said


@pytest.mark.parametrize("unit", ["s", "min", "h"])
def test_units_of_time_are_those_of_another_library(unit):
    """Guards lengths typed in minutes or hours (astropy.units)."""
    assert factor("exposure_s", unit) == units.Unit(unit).to("s")


def test_units_belong_to_their_column():
    """Guards "2 s" of a width: no unit is taken that the value does not have; none is its own."""
    assert factor("fwhm_px", "") == factor("fwhm_px", "px") == factor("moon_alt_deg", "deg") == 1.0
    assert factor("transparency", "%") == 0.01
    assert factor("fwhm_px", "s") is None
    assert factor("stars", "px") is None


@pytest.mark.parametrize(
    ("sign", "turned"), [("<", ">"), (">", "<"), ("<=", "≥"), ("=>", "=<"), ("==", "=")]
)
def test_a_comparison_turned_round_means_the_same(sign, turned):
    """Guards "2.1 < fwhm", which is "fwhm > 2.1"."""
    assert TURNED[OPERATORS[sign]] == OPERATORS[turned]
