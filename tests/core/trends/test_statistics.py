"""Trends and steps against published tables, scipy, and what is drawn with a known truth."""

import numpy as np
import pytest
from scipy import stats

from runlog.core.trends.statistics import (
    adjusted,
    hamed_rao,
    mann_kendall,
    pettitt,
    pettitt_p,
    ranks,
    shift,
    step_place,
    theil_sen,
)
from tests.core.trends.nile import FIRST_YEAR, FLOW

NILE = np.array(FLOW, dtype=float)
YEARS = FIRST_YEAR + np.arange(len(FLOW), dtype=float)


def steady(count, n, correlation, seed):
    """Draw series of unit scatter whose neighbours are correlated; shape (count, n)."""
    random = np.random.default_rng(seed)
    drawn = random.standard_normal((count, n))
    for i in range(1, n):
        fresh = np.sqrt(1 - correlation**2) * drawn[:, i]
        drawn[:, i] = correlation * drawn[:, i - 1] + fresh
    return drawn


# --- published numbers ----------------------------------------------------------------------


def test_the_slope_of_the_nile():
    """Theil-Sen -2.6 a year, 95 % interval -3.628 to -1.429 (specification; scipy.theilslopes)."""
    found = theil_sen(YEARS, NILE)
    assert (found.middle, found.low, found.high) == pytest.approx((-2.6, -3.628, -1.429), abs=1e-3)
    judge = stats.theilslopes(NILE, YEARS, 0.95)
    assert (found.low, found.high) == pytest.approx((judge.low_slope, judge.high_slope), abs=0.02)


def test_the_trend_of_the_nile():
    """Mann-Kendall z -4.128, p 3.66e-5; Hamed and Rao z -2.820, p 0.00480 (pymannkendall's)."""
    plain = mann_kendall(NILE)
    assert plain.z == pytest.approx(-4.128, abs=1e-3)
    assert plain.p == pytest.approx(3.66e-5, rel=2e-3)
    correlated = mann_kendall(NILE, hamed_rao(NILE))
    assert correlated.z == pytest.approx(-2.820, abs=1e-3)
    assert correlated.p == pytest.approx(0.00480, abs=1e-5)


def test_the_step_of_the_nile():
    """Pettitt's K 1617, the 28 years to 1898 before it, p 3.59e-7; 1130, 842.5, shift -260."""
    found = pettitt(NILE)
    assert (found.k, found.at, YEARS[found.at - 1]) == (1617, 28, 1898)
    assert found.p == pytest.approx(3.59e-7, rel=2e-3)
    before, after = NILE[: found.at], NILE[found.at :]
    assert (np.median(before), np.median(after)) == (1130, 842.5)
    assert shift(before, after) == -260
    assert step_place(NILE) == 28  # as ruptures' PELT has it
    assert pettitt_p(NILE) < 0.001  # neighbours correlated, less than single years would give


def test_fifteen_published_chances():
    """Benjamini and Hochberg 1995, their example: 4 of 15 hold at 0.05; scipy says the same."""
    published = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
        0.5719, 0.6528, 0.7590, 1.000,
    ]  # fmt: skip
    assert sum(p <= 0.05 for p in adjusted(published)) == 4
    turned = published[::-1]
    assert adjusted(turned) == pytest.approx(stats.false_discovery_control(turned))


@pytest.mark.parametrize("seed", range(6))
def test_ranks_and_trend_with_ties(seed):
    """Ties share a rank as scipy ranks them; Kendall's sum is scipy's tau times the pairs."""
    values = np.random.default_rng(seed).integers(0, 9, 40).astype(float)
    assert ranks(values) == pytest.approx(stats.rankdata(values))
    tau = stats.kendalltau(np.arange(40), values, variant="b", method="asymptotic")
    pairs = 40 * 39 / 2
    ties = sum(c * (c - 1) / 2 for c in np.unique(values, return_counts=True)[1])
    found = mann_kendall(values)
    assert found.s == pytest.approx(tau.statistic * np.sqrt(pairs * (pairs - ties)))
    bare = found.s / np.sqrt(((found.s - np.sign(found.s)) / found.z) ** 2) if found.z else 0.0
    assert 2 * stats.norm.sf(abs(bare)) == pytest.approx(tau.pvalue, rel=1e-6)


def test_what_has_no_scatter_has_no_trend():
    """A series of one value, as of a rig that was never touched, divides nothing by zero."""
    flat = np.full(20, 3.0)
    assert mann_kendall(flat, hamed_rao(flat)).p == 1.0
    assert pettitt_p(flat) == 1.0
    assert theil_sen(np.arange(20.0), flat).middle == 0.0


def test_all_at_one_time_tells_no_slope():
    """Pairs at one time are left out; where none is left the slope is no number."""
    assert np.isnan(theil_sen(np.zeros(5), np.arange(5.0)).middle)


# --- drawn series: a share of the full numbers, which `python -m tests.bench.trends` draws --------


def test_steps_are_found():
    """Of 60 series with a step of 1.75 sigma, 30 nights a side, correlation 0.3, 90 % are found."""
    drawn = steady(60, 60, 0.3, 1)
    drawn[:, 30:] += 1.75
    assert np.mean([pettitt_p(x) < 0.01 for x in drawn]) >= 0.9


@pytest.mark.parametrize("n", [20, 24, 40])
def test_a_plain_step_is_found_in_few_nights(n):
    """Five sigma in the middle of twenty nights hold beside fourteen steady series (0.01 / 14)."""
    drawn = steady(30, n, 0.3, n)
    drawn[:, n // 2 :] += 5.0
    assert np.mean([pettitt_p(x) < 0.01 / 14 for x in drawn]) >= 0.9


def test_steady_series_are_left_alone():
    """Of 300 steady series of 60 nights, correlation 0.3, a step is claimed in few.

    1.5 % are allowed of 5,000; of 300 that is 4.5, and 10 would be a chance of one in a hundred.
    """
    assert sum(pettitt_p(x) < 0.01 for x in steady(300, 60, 0.3, 2)) < 10


def test_the_same_series_has_the_same_answer():
    """What is drawn is the same each time: no verdict may change between two looks."""
    (drawn,) = steady(1, 60, 0.3, 3)
    drawn[30:] += 0.9
    assert pettitt_p(drawn) == pettitt_p(drawn.copy())


@pytest.mark.parametrize("before", [27, 5, 16])
def test_a_step_near_an_end_is_found_where_it_is(before):
    """Guards "since when": Pettitt's place is drawn to the middle, so that young steps look old."""
    drawn = steady(200, 32, 0.3, 5)
    drawn[:, before:] += 3.0
    met = np.mean([step_place(x) == before for x in drawn])
    assert met >= 0.75
    if before == 27:
        assert np.mean([pettitt(x).at == before for x in drawn]) < 0.5
