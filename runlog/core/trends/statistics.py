"""Trends and steps in short series, by ranks, which no outlier leads astray."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import erfc, exp, sqrt

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

Z_95 = 1.959963984540054  # of a normal distribution, 2.5 % on each side
BLOCK = 3  # runs that are moved together, so that what one night leaves to the next stays
FEW_DRAWS, MANY_DRAWS = 999, 19_999
WORTH_MORE = 0.02  # a step that may hold after the few draws is held against many
SEED = 20261009  # any number: the same series has the same answer, always


@dataclass(frozen=True, slots=True)
class Kendall:
    """A monotonic trend by signs: p is two-sided, `inflation` what serial correlation adds."""

    s: float
    z: float
    p: float
    inflation: float = 1.0


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its 95 % interval, in units of the values a unit of time."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Step:
    """The likeliest single step: the values from number `at` (0-based) on are the later ones."""

    k: float
    at: int
    p: float  # of a steady series of independent values


def ranks(values: Values) -> Values:
    """
    Rank values from 1 up, ties sharing the middle of theirs.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
    """
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    middle: Values = (last - (counts - 1) / 2.0)[which]
    return middle


def theil_sen(times: Values, values: Values, inflation: float = 1.0) -> Slope:
    """
    Find the median of the slopes between all pairs, and its 95 % interval.

    Parameters
    ----------
    times, values : ndarray, shape (n,)
        Any units; pairs at one time tell no slope and are left out.
    inflation : float
        By what the variance of Kendall's sum is larger than that of independent values.

    Returns
    -------
    Slope

    References
    ----------
    Sen 1968, J. Am. Stat. Assoc. 63, 1379: the interval from the variance of Kendall's sum.
    """
    i, j = np.triu_indices(len(values), 1)
    apart = times[j] - times[i]
    told = apart != 0
    slopes = np.sort((values[j] - values[i])[told] / apart[told])
    count = len(slopes)
    if not count:
        return Slope(float("nan"), float("nan"), float("nan"))
    spread = Z_95 * sqrt(_variance_of_s(values) * inflation)
    low = max(int(np.round((count - spread) / 2)) - 1, 0)
    high = min(int(np.round((count + spread) / 2)), count - 1)
    return Slope(float(np.median(slopes)), float(slopes[low]), float(slopes[high]))


def _variance_of_s(values: Values) -> float:
    """Give the variance of Kendall's sum of independent values, less what ties take from it."""
    n = len(values)
    counts = np.unique(values, return_counts=True)[1].astype(np.float64)
    ties = float((counts * (counts - 1) * (2 * counts + 5)).sum())
    return (n * (n - 1) * (2 * n + 5) - ties) / 18.0


def _kendall_sum(values: Values) -> float:
    return float(np.sign(values[None, :] - values[:, None])[np.triu_indices(len(values), 1)].sum())


def two_sided(z: float) -> float:
    """Give the chance of a normal deviate at least so far off zero, on either side."""
    return erfc(abs(z) / sqrt(2.0))


def mann_kendall(values: Values, inflation: float = 1.0) -> Kendall:
    """
    Test for a monotonic trend, in the order given.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time; two at least.
    inflation : float
        Of the variance, by serial correlation (see `hamed_rao`).

    Returns
    -------
    Kendall
        Sum of signs, normal deviate (one taken off the sum for continuity), two-sided p.

    References
    ----------
    Mann 1945, Econometrica 13, 245; Kendall 1975, Rank Correlation Methods.
    """
    s, variance = _kendall_sum(values), _variance_of_s(values) * inflation
    z = (s - np.sign(s)) / sqrt(variance) if variance > 0 else 0.0
    return Kendall(s, float(z), two_sided(z), inflation)


def hamed_rao(values: Values) -> float:
    """
    Tell by what serial correlation inflates the variance of Kendall's sum.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time.

    Returns
    -------
    float
        From the autocorrelations of the ranks, trend taken out, that stand out at 95 %. Never
        below 1: a few dozen runs cannot show that neighbours avoid one another.

    References
    ----------
    Hamed and Rao 1998, J. Hydrology 204, 182.
    """
    n = len(values)
    if n < 3:
        return 1.0
    order = np.arange(n, dtype=np.float64)
    own = ranks(values - order * theil_sen(order, values).middle)
    own -= own.mean()
    power = float(own @ own)
    if power <= 0:
        return 1.0
    lags = np.arange(1, n, dtype=np.float64)
    alike = np.array([own[: n - k] @ own[k:] for k in range(1, n)]) / power
    alike[np.abs(alike) <= Z_95 / sqrt(n)] = 0.0
    weights = (n - lags) * (n - lags - 1) * (n - lags - 2)
    return max(1.0, 1.0 + 2.0 / (n * (n - 1) * (n - 2)) * float(weights @ alike))


def pettitt(values: Values) -> Step:
    """
    Find the likeliest single step of the middle.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time; two at least.

    Returns
    -------
    Step
        With the p of the published approximation, which holds for independent values only.

    References
    ----------
    Pettitt 1979, Applied Statistics 28, 126.
    """
    n = len(values)
    u = np.abs(2.0 * np.cumsum(ranks(values) - (n + 1) / 2.0))[:-1]
    k = float(u.max())
    return Step(k, int(u.argmax()) + 1, min(1.0, 2.0 * exp(-6.0 * k * k / (n**3 + n**2))))


def pettitt_p(values: Values, block: int = BLOCK) -> float:
    """
    Tell how often the series, its blocks shuffled, has as large a step.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time.
    block : int
        Values that stay together; where the first block begins is drawn as well.

    Returns
    -------
    float
        (draws that reach it + 1) / (draws + 1). The draws are always the same.

    References
    ----------
    Pettitt 1979 (see `pettitt`); blocks keep short serial correlation, as in Künsch 1989,
    Ann. Stat. 17, 1217.
    """
    random = np.random.default_rng(SEED)
    p = _share_of_draws(values, block, FEW_DRAWS, random)
    return p if p > WORTH_MORE else _share_of_draws(values, block, MANY_DRAWS, random)


PIECE = 2_000  # draws at once: a few megabytes


def _share_of_draws(values: Values, block: int, draws: int, random: np.random.Generator) -> float:
    own = ranks(values) - (len(values) + 1) / 2.0
    reached, seen = 0, np.abs(np.cumsum(own))[:-1].max() - 1e-9
    for start in range(0, draws, PIECE):
        shuffled = own[_orders(len(values), block, min(PIECE, draws - start), random)]
        reached += int((np.abs(np.cumsum(shuffled, axis=1))[:, :-1].max(axis=1) >= seen).sum())
    return (reached + 1) / (draws + 1)


def _orders(n: int, block: int, draws: int, random: np.random.Generator) -> NDArray[np.intp]:
    """Draw orders of n values, in blocks of a circle that begin anywhere; shape (draws, n)."""
    blocks = -(-n // block)
    places = random.random((draws, blocks)).argsort(axis=1)  # where each block goes
    key = np.repeat(places, block, axis=1)[:, :n].astype(np.int64) * n + np.arange(n)
    order = key.argsort(axis=1)
    turned: NDArray[np.intp] = (order + random.integers(0, n, (draws, 1))) % n
    return turned


def shift(before: Values, after: Values) -> float:
    """
    Tell by how much later values lie above earlier ones.

    Parameters
    ----------
    before, after : ndarray, shapes (n,) and (m,)

    Returns
    -------
    float
        The median of all differences.

    References
    ----------
    Hodges and Lehmann 1963, Ann. Math. Stat. 34, 598.
    """
    return float(np.median(after[:, None] - before[None, :]))


def adjusted(chances: Sequence[float]) -> list[float]:
    """
    Adjust p-values for their number: those below a limit hold at most that share of false ones.

    Parameters
    ----------
    chances : sequence of float
        p-values of one family of tests.

    Returns
    -------
    list of float
        In the order given, to be held against the limit.

    References
    ----------
    Benjamini and Hochberg 1995, J. R. Stat. Soc. B 57, 289.
    """
    count = len(chances)
    found, least = [1.0] * count, 1.0
    for place, i in enumerate(sorted(range(count), key=lambda i: -chances[i])):
        least = min(least, chances[i] * count / (count - place))
        found[i] = least
    return found
