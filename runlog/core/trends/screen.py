"""Which series surely neither move nor step, told without the tests, whose import takes long.

What holds no p below `SURE` by itself cannot by any correction for the number of series, nor by
what serial correlation widens. It is asked with the plainest variance, which is the smallest.
"""

from bisect import bisect_left, bisect_right, insort
from collections import Counter
from math import exp, sqrt

from runlog.core.theil_sen import variance_of_sum
from runlog.core.trends.points import FEWEST_FOR_STEP, FEWEST_FOR_TREND, SURE, Series

SURE_Z = 2.575829  # two-sided normal deviate of SURE
# Pettitt's p is an approximation, and the judge draws; they agree far better than within this.
STEP_MARGIN = 5.0


def may_move(series: Series) -> bool:
    """Tell whether a trend or a step might be found in a series; False is certain."""
    values = [point.value for point in series.points]
    return _may_trend(values) or _may_step(values)


def _may_trend(values: list[float]) -> bool:
    if len(values) < FEWEST_FOR_TREND:
        return False
    variance = variance_of_sum(len(values), Counter(values).values())
    return abs(_kendall_sum(values)) - 1 >= SURE_Z * sqrt(variance)


def _kendall_sum(values: list[float]) -> int:
    """Count the pairs that rise less those that fall."""
    rising, earlier = 0, list[float]()
    for value in values:
        rising += bisect_left(earlier, value) + bisect_right(earlier, value) - len(earlier)
        insort(earlier, value)
    return rising


def _may_step(values: list[float]) -> bool:
    n = len(values)
    if n < FEWEST_FOR_STEP:
        return False
    summed = largest = 0.0
    for rank in _ranks(values):
        summed += 2 * rank - (n + 1)
        largest = max(largest, abs(summed))
    return 2 * exp(-6 * largest**2 / (n**3 + n**2)) < STEP_MARGIN * SURE


def _ranks(values: list[float]) -> list[float]:
    """Rank from 1 up, ties sharing the middle of theirs."""
    counts, below, middle = Counter(values), 0, {}
    for value in sorted(counts):
        middle[value] = below + (counts[value] + 1) / 2
        below += counts[value]
    return [middle[value] for value in values]
