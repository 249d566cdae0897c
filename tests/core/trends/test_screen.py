"""The screen before the tests: it may let through what is nothing, never keep back what is told."""

import numpy as np
import pytest

from runlog.core.trends.points import SURE
from runlog.core.trends.screen import may_move
from runlog.core.trends.series import Trending, trends_of_rig
from runlog.core.trends.statistics import pettitt, pettitt_p
from tests.core.trends.test_series import series_of
from tests.core.trends.test_statistics import steady

SILENT = (Trending.STEADY, Trending.TOO_FEW)


def drawn(seed):
    """Draw series of every length: steady, sloping, stepped, in whole numbers with many ties."""
    random = np.random.default_rng(seed)
    n = int(random.choice([8, 14, 25, 60, 110]))
    values = steady(1, n, float(random.choice([0.0, 0.3])), seed)[0]
    values += float(random.choice([0.0, 0.0, 0.5, 1.0, 2.0])) * np.arange(n) / n * 2
    values[int(random.integers(1, n)) :] += float(random.choice([0.0, 0.0, 0.7, 1.5, 3.0]))
    return np.round(values) if seed % 4 == 0 else values


def test_nothing_that_is_told_is_kept_back():
    """Of 200 drawn series alone, the kindest family there is, each one that moves is let through.

    And the screen is of use: it spares the tests most of those in which nothing was found.
    """
    told = spared = silent = 0
    for seed in range(200):
        series = series_of(drawn(seed))
        (found,) = trends_of_rig([series], ())
        if found.verdict in SILENT:
            silent += 1
            spared += not may_move(series)
        else:
            told += 1
            assert may_move(series), (seed, found.reason)
    assert told > 40
    assert spared > 0.6 * silent


@pytest.mark.parametrize("n", [20, 45, 120, 300])
def test_the_margin_covers_what_pettitts_approximation_is_off(n):
    """At the limit the judge's drawn p and the published approximation are far within the margin.

    Pettitt 1979, Applied Statistics 28, 126: p = 2 exp(-6 K^2 / (n^3 + n^2)), from memory.
    """
    checked = 0
    for seed in range(12):
        values = steady(1, n, 0.0, seed)[0]
        values[n // 2 :] += (1 + seed / 4) * np.sqrt(20 / n)
        if pettitt_p(values) < SURE:
            checked += 1
            assert pettitt(values).p < 2 * SURE
    assert checked
