"""What effective time is divided by: a function of the set of nights, whatever their order.

Of each night the best quartile; of up to three nights the best, of more what three quarters of them
stay below. Sky and width are a rig's and filter's, light a target's.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from operator import itemgetter
from typing import NamedTuple

from runlog.core.frame import Frame

FEWEST_FRAMES = 5  # of a night that may be the reference
FEWEST_STARS = 30
MOST_AIRMASS = 2.0
DARK_SUN_DEG = -18.0
BEST_QUARTER = 0.75
FEW_NIGHTS = 3  # of so many the best is the reference, of more their upper quartile
UPPER_QUARTILE = 0.75
# A night that was poor for most of its frames must not be what its few good ones are measured by:
# its quartile counts no less than its second best frame over so much. Together below 1.5.
MOST_OVER_LIGHT = 1.1  # of T^2
MOST_OVER_SKY = 1.35  # of 1 / (FWHM^2 v)


class NightValue(NamedTuple):
    """What one night would be as a reference."""

    value: float
    night: str
    moonless: bool | None = None  # None where that is not known


@dataclass(frozen=True, slots=True)
class Reference:
    """What counts one second for one second, and where it is from."""

    value: float
    nights: int  # that were looked at
    best: str | None = None  # the night it is from; None where it is a quartile of them all
    moonless: bool | None = True  # None where nothing is known of the Moon


def fit(frame: Frame) -> bool:
    """Tell whether a frame may be one of a reference, as far as stars, Sun and height tell.

    What is unknown of Sun and height does not speak against it: both only make frames worse.
    """
    sun_deg, airmass = frame.context.sun_alt_deg, frame.context.airmass
    return (
        (frame.measurement.stars or 0) >= FEWEST_STARS
        and (sun_deg is None or sun_deg < DARK_SUN_DEG)
        and (airmass is None or airmass < MOST_AIRMASS)
    )


def night_value(values: Iterable[float], most_over: float) -> float | None:
    """Take the best quartile of a night's frames; None of fewer than five.

    Where more than three quarters of them were poor that is no reference: it counts no less than
    the second best over `most_over`. The best alone may be one that went astray.
    """
    known = sorted(value for value in values if isfinite(value))
    if len(known) < FEWEST_FRAMES:
        return None
    return max(quantile(known, BEST_QUARTER), known[-2] / most_over)


def quantile(ordered: Sequence[float], share: float) -> float:
    """Interpolate linearly between ascending order statistics, as numpy does by default."""
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


_ORDER, _VALUE = itemgetter(0, 1), itemgetter(0)  # by value, then by night


def reference_of(nights: Iterable[NightValue]) -> Reference | None:
    """Find the reference: over the moonless nights if there are any, else over all."""
    every = list(nights)
    moonless = [one for one in every if one.moonless]
    used = moonless or every
    if not used:
        return None
    used.sort(key=_ORDER if len(used) <= FEW_NIGHTS else _VALUE)  # of many no night is named
    dark = True if moonless else None if all(one.moonless is None for one in used) else False
    return reference_at(dict(enumerate(used)), len(used), dark)


def reference_at(ranked: Mapping[int, NightValue], count: int, dark: bool | None) -> Reference:
    """Find the reference of so many nights that were ranked: by value, then by night, from 0.

    No more of them are looked at than the last of up to FEW_NIGHTS, else those on both sides of
    the upper quartile.
    """
    if count <= FEW_NIGHTS:
        best = ranked[count - 1]
        return Reference(best.value, count, best.night, dark)
    place = UPPER_QUARTILE * (count - 1)
    below = int(place)
    low, high = (ranked[min(at, count - 1)].value for at in (below, below + 1))
    return Reference(low + (place - below) * (high - low), count, None, dark)
