"""The fit of a sweep: exact hyperbolas, scipy's opinion, intervals that hold the truth."""

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import t

from runlog.core.focus.hyperbola import fit_hyperbola
from runlog.core.focus.judge import judge
from runlog.core.student import student_t95
from tests.core.focus.drawn import bound, drawn

EXACT_X = np.arange(9000.0, 11_001.0, 250.0)
EXACT_Y = np.hypot(2.4, 0.009 * (EXACT_X - 10_080))


def test_an_exact_hyperbola():
    """Widths computed from sqrt(a^2 + b^2 (x - c)^2) give a, b and c back; written by hand too."""
    by_hand = [10.0119, 7.8461, 5.7453, 3.8185, 2.5057, 2.8462, 4.4775, 6.4901, 8.6208]
    assert np.allclose(EXACT_Y, by_hand, atol=5e-5)
    fit = fit_hyperbola(EXACT_X, EXACT_Y, 0.03 * EXACT_Y)
    assert fit.best == pytest.approx(10_080, abs=1e-6)
    assert (fit.least, fit.slope) == (pytest.approx(2.4, abs=1e-9), pytest.approx(0.009, abs=1e-9))


@pytest.mark.parametrize("seed", range(20))
def test_against_scipy(seed):
    """scipy.optimize.curve_fit from the truth finds the same minimum and the same scaled error."""
    random = np.random.default_rng(seed)
    errors = 0.05 * EXACT_Y
    y = EXACT_Y + errors * random.standard_normal(EXACT_Y.size)
    fit = fit_hyperbola(EXACT_X, y, errors)
    values, covariance = curve_fit(
        lambda x, c, a, b: np.hypot(a, b * (x - c)), EXACT_X, y, (10_080, 2.4, 0.009), errors
    )
    assert fit.best == pytest.approx(values[0], abs=0.02)
    assert fit.best_err == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-3)


@pytest.mark.parametrize("freedom", [*range(1, 40), 60, 100, 1000])
def test_student(freedom):
    """scipy.stats.t: the 97.5 % point, to 0.001."""
    assert student_t95(freedom) == pytest.approx(t.ppf(0.975, freedom), abs=1e-3)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    """93 to 97 % of 2,000 drawn sweeps, no wider than 1.3 times the Cramer-Rao bound (median)."""
    random, inside, wide = np.random.default_rng(20), 0, []
    for _ in range(2000):
        best = 10_000 + random.uniform(-30, 30)
        result = judge(drawn(random, best))
        if result.good:
            inside += abs(result.fit.best - best) <= result.fit.best_95
            wide.append(result.fit.best_95 / (1.959964 * bound(best)))
    assert len(wide) >= 1990  # what is refused of good sweeps
    assert 0.93 <= inside / len(wide) <= 0.97
    assert np.median(wide) <= 1.3


@pytest.mark.parametrize("y", [np.full(9, 3.0), 9 - np.abs(np.arange(9.0) - 4) ** 2 / 4])
def test_what_is_no_v(y):
    """Widths that are all alike or bend down: no fit, or none that is sure of anything."""
    fit = fit_hyperbola(EXACT_X, y, 0.03 * np.maximum(y, 1e-9))
    assert fit is None or fit.slope * 1000 < 1e-3 * max(y.max(), 1e-9) or fit.best_err > 1000


def test_too_few_or_one_place():
    """Three points leave no freedom, and one position no width to fit over."""
    assert fit_hyperbola(EXACT_X[:3], EXACT_Y[:3], EXACT_Y[:3]) is None
    assert fit_hyperbola(np.full(6, 9.0), np.arange(1.0, 7), np.ones(6)) is None
