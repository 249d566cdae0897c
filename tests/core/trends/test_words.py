"""What is said of a series: amounts, chances, steps, and why nothing is known."""

import pytest

from runlog.core.trends.kinds import KINDS
from runlog.core.trends.points import Series
from runlog.core.trends.series import Change, Noted
from runlog.core.trends.statistics import Slope
from runlog.core.trends.words import amount, chance, changed, moved, perhaps, together, too_few

WIDTH = Series(KINDS["fwhm"], "Wren", "L")
KEPT = Series(KINDS["yield"], "Wren")
STEP = Change("2026-10-09", "2026-10-02", 0.4, 0.0001, 0.02)


@pytest.mark.parametrize(
    ("series", "value", "signed", "said"),
    [
        (WIDTH, 0.456, True, "+0.46 arcsec"),
        (WIDTH, 2.0, False, "2.00 arcsec"),
        (KEPT, -0.123, True, "-12.3 %"),
        (KEPT, 0.8, False, "80.0 %"),
        (Series(KINDS["fwhm"], "Wren", unit="px"), -1.0, True, "-1.00 px"),
    ],
)
def test_amounts_have_the_unit_of_their_series(series, value, signed, said):
    """Guards shares as percent, and widths in pixels where no scale is known."""
    assert amount(series, value, signed) == said


@pytest.mark.parametrize(
    ("p", "said"), [(0.0009, "p < 0.001"), (0.001, "p 0.001"), (0.25, "p 0.250"), (1.0, "p 1.000")]
)
def test_small_chances_are_not_said_to_be_none(p, said):
    """Guards "p 0.000", which nothing is."""
    assert chance(p) == said


def test_a_trend_is_told_with_its_interval_or_not_at_all():
    """Guards which of three numbers is the slope, and that a steady series gets none."""
    slope = Slope(0.3, 0.1, 0.5)
    told = "+0.30 arcsec a year (+0.10 arcsec to +0.50 arcsec a year, p 0.012)"
    assert moved(WIDTH, slope, 0.012, steady=False) == told
    steady = "no trend is seen; it may be +0.10 arcsec to +0.50 arcsec a year"
    assert moved(WIDTH, slope, 0.4, steady=True) == steady


def test_a_step_is_told_with_its_nights_and_what_was_noted():
    """Guards the chance that counts, which allows for all series, and the note beside it."""
    said = changed(WIDTH, STEP, None)
    assert said.startswith("+0.40 arcsec between 2026-10-02 and 2026-10-09 (p 0.020); nothing is")
    noted = changed(WIDTH, STEP, Noted("2026-10-05", "new corrector"))
    assert noted.endswith("; after: new corrector (2026-10-05)")
    assert perhaps(WIDTH, STEP).startswith("perhaps +0.40 arcsec from 2026-10-09 on, but among")


@pytest.mark.parametrize(
    ("runs", "said"),
    [
        (0, "unknown, because no night tells it"),
        (1, "unknown, because only 1 night tells it, and a trend needs 12"),
        (11, "unknown, because only 11 nights tell it, and a trend needs 12"),
    ],
)
def test_too_few_nights_are_counted(runs, said):
    """Guards one and many, and what else was left out."""
    assert too_few(runs, []) == said
    assert too_few(runs, ["3 nights of another setting"]) == f"{said}; 3 nights of another setting"
    assert together("", "a", "", "b") == "a; b"
