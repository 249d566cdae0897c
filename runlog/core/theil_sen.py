"""The middle of the slopes between pairs of values, and its 95 % interval.

Sen 1968, J. Am. Stat. Assoc. 63, 1379: the interval is that of Kendall's sum of signs, whose
variance is Kendall's (1975, Rank Correlation Methods), less what ties take from it.
"""

from collections.abc import Iterable, Sequence
from math import sqrt
from typing import TYPE_CHECKING

from runlog.core.student import NORMAL95

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def variance_of_sum(count: int, ties: Iterable[int]) -> float:
    """
    Give the variance of Kendall's sum of independent values.

    Parameters
    ----------
    count : int
        Values.
    ties : iterable of int
        How many values each distinct one stands for; one that stands alone takes nothing.
    """
    return (_kendall(count) - sum(map(_kendall, ties))) / 18.0


def _kendall(n: int) -> float:
    return float(n * (n - 1) * (2 * n + 5))


def middle_slope(
    slopes: "Sequence[float] | NDArray[np.float64]", variance: float
) -> tuple[float, float, float]:
    """
    Give the middle of all pairs' slopes, and the ends of its 95 % interval.

    Parameters
    ----------
    slopes : sequence of float or ndarray, shape (n,), not empty
        In order of size, of any unit.
    variance : float
        Of Kendall's sum of the values they are of (see `variance_of_sum`).
    """
    before, after, low, high = places_of(len(slopes), variance)
    middle = (slopes[before] + slopes[after]) / 2
    return float(middle), float(slopes[low]), float(slopes[high])


def places_of(count: int, variance: float) -> tuple[int, int, int, int]:
    """Tell where in order stand the two middle ones of so many slopes, and the interval's ends."""
    reach = NORMAL95 * sqrt(variance)
    low = max(round((count - reach) / 2) - 1, 0)
    high = min(round((count + reach) / 2), count - 1)
    return (count - 1) // 2, count // 2, low, high
