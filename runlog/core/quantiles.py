"""A quantile of a few plain numbers, for those who need no more of numpy than this."""

from collections.abc import Iterable


def quantile(values: Iterable[float], share: float) -> float:
    """
    Interpolate linearly between order statistics.

    Parameters
    ----------
    values : iterable of float
        Finite, at least one, of any unit.
    share : float
        How far up, 0 to 1.

    Notes
    -----
    Type 7 of Hyndman and Fan 1996, American Statistician 50, 361; numpy's default.
    """
    ranked = sorted(values)
    place = share * (len(ranked) - 1)
    below = int(place)
    above = min(below + 1, len(ranked) - 1)
    return float(ranked[below] + (place - below) * (ranked[above] - ranked[below]))
