"""Trends and steps in short series, by ranks, which no outlier leads astray."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import erfc, exp, sqrt

import numpy as np
from numpy.typing import NDArray

from runlog.core.student import NORMAL95
from runlog.core.theil_sen import middle_slope, places_of, variance_of_sum

Values = NDArray[np.float64]

# Correlation of neighbouring nights: what is held to be usual, as much as so many nights tell ...
USUAL_MEMORY, USUAL_WEIGHT = 0.3, 60
LEAST_TELLING = 20  # ... beside those beyond so many, which tell nothing of it
FEWEST_BESIDE = 3  # values on each side of a step
MOST_MEMORY, MEMORY_STEP = 0.8, 0.05
SHORT = 512  # values whose pairs are looked at all at once: two megabytes
PIECE = 2_000  # draws at once: a few megabytes
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
    slopes = _slopes(times, values)
    if not len(slopes):
        return Slope(float("nan"), float("nan"), float("nan"))
    variance = _variance_of_s(values) * inflation
    # Of a million slopes four are asked for: they need not all be put in order.
    slopes = np.partition(slopes, places_of(len(slopes), variance))
    return Slope(*middle_slope(slopes, variance))


def _slopes(times: Values, values: Values) -> Values:
    """List the slopes of all pairs of different times."""
    found = [
        later / apart if apart.all() else later[apart != 0] / apart[apart != 0]
        for apart, later in zip(_differences(times), _differences(values), strict=True)
    ]
    return np.concatenate(found) if found else np.empty(0)


def _differences(values: Values) -> Iterator[Values]:
    """Give what later values lie above earlier ones, pair by pair, in parts.

    Of a short series all at once; pairs of a long one would fill the memory: slice by slice, by
    how far they are apart in order.
    """
    n = len(values)
    if n <= SHORT:
        earlier, later = _pairs(n)
        yield values[later] - values[earlier]
    else:
        yield from (values[k:] - values[:-k] for k in range(1, n))


@lru_cache(maxsize=16)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    earlier, later = np.triu_indices(n, 1)
    return earlier, later


def usual_step(values: Values) -> float:
    """Find the median slope over the order alone."""
    slopes = _slopes(np.arange(len(values), dtype=np.float64), values)
    return float(np.median(slopes)) if len(slopes) else float("nan")


def _variance_of_s(values: Values) -> float:
    return variance_of_sum(len(values), np.unique(values, return_counts=True)[1].tolist())


def _kendall_sum(values: Values) -> float:
    return float(sum(np.sign(part).sum() for part in _differences(values)))


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


def hamed_rao(values: Values, step: float | None = None) -> float:
    """
    Tell by what serial correlation inflates the variance of Kendall's sum.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time.
    step : float, optional
        Their `usual_step`, where it is known already.

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
    own = ranks(values - order * (usual_step(values) if step is None else step))
    own -= own.mean()
    power = float(own @ own)
    if power <= 0:
        return 1.0
    lags = np.arange(1, n, dtype=np.float64)
    alike = np.correlate(own, own, "full")[n:] / power
    alike[np.abs(alike) <= NORMAL95 / sqrt(n)] = 0.0
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


def step_place(values: Values) -> int:
    """
    Find where a step is, given that there is one: where two middles leave least over.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time; six at least.

    Returns
    -------
    int
        The first index after the step, by least absolute residuals of the medians on each side.
        Pettitt's own place is drawn to the middle of a series: of steps of three sigma five nights
        before its end it meets 36 % to the night, this one 84 % (300 series, correlation 0.3).
    """
    places = range(FEWEST_BESIDE, len(values) - FEWEST_BESIDE + 1)
    return min(places, key=lambda at: _left(values[:at]) + _left(values[at:]))


def _left(part: Values) -> float:
    return float(np.abs(part - np.median(part)).sum())


def pettitt_p(values: Values) -> float:
    """
    Tell how often a steady series of as long a memory has as large a step.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time; two at least.

    Returns
    -------
    float
        (draws that reach it + 1) / (draws + 1). Normal series are drawn whose neighbours are
        correlated as those of this one, its step taken out (`memory`). Ranks do not ask how
        values are distributed. The draws are always the same.

    References
    ----------
    Pettitt 1979 (see `pettitt`). Shuffled blocks of three, the other way to keep short
    correlation, have too few orders below some 45 values for any step to be unlikely.
    """
    step = pettitt(values)
    before, after = values[: step.at], values[step.at :]
    rest = np.concatenate([before - np.median(before), after - np.median(after)])
    alike = round(memory(rest) / MEMORY_STEP)
    p = _share_of_draws(step.k, len(values), alike, FEW_DRAWS)
    return p if p > WORTH_MORE else _share_of_draws(step.k, len(values), alike, MANY_DRAWS)


def memory(rest: Values) -> float:
    """
    Estimate how strongly neighbours are correlated, by ranks, leaning on what rigs usually show.

    Parameters
    ----------
    rest : ndarray, shape (n,)
        In order of time, step or trend taken out.

    Returns
    -------
    float
        0 to `MOST_MEMORY`. A few dozen values tell it to 0.15 at best, and an estimate of none
        would claim steps where there are none.

    Notes
    -----
    The bias of the first autocorrelation with two fitted levels is (1 + 3 r) / n or so
    (Marriott and Pope 1954, Biometrika 41, 390). `USUAL_MEMORY` is that of the specification.
    """
    n = len(rest)
    own = ranks(rest) - (n + 1) / 2.0
    power = float(own @ own)
    if power <= 0 or n <= 4:
        return USUAL_MEMORY
    told = (n * float(own[1:] @ own[:-1]) / power + 2.0) / (n - 4)
    weight = max(n - LEAST_TELLING, 0)
    leaning = min(max(told, 0.0), MOST_MEMORY) * weight + USUAL_MEMORY * USUAL_WEIGHT
    return leaning / (weight + USUAL_WEIGHT)


@lru_cache(maxsize=256)
def _largest_steps(n: int, alike: int, draws: int) -> Values:
    """Draw steady series of n values; gives the largest step of each, smallest first."""
    random, correlation = np.random.default_rng(SEED), alike * MEMORY_STEP
    found = np.empty(draws)
    for start in range(0, draws, PIECE):
        drawn = random.standard_normal((min(PIECE, draws - start), n))
        for i in range(1, n):
            drawn[:, i] *= sqrt(1.0 - correlation**2)
            drawn[:, i] += correlation * drawn[:, i - 1]
        own = drawn.argsort(axis=1).argsort(axis=1) - (n - 1) / 2.0
        found[start : start + len(drawn)] = 2 * np.abs(own.cumsum(axis=1))[:, :-1].max(axis=1)
    return np.sort(found)


def _share_of_draws(k: float, n: int, alike: int, draws: int) -> float:
    reached = draws - int(np.searchsorted(_largest_steps(n, alike, draws), k - 1e-9))
    return (reached + 1) / (draws + 1)


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
