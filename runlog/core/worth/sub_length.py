"""How long single exposures should be: which lengths lose less than 2 % of the best.

Frames of t seconds with o lost after each, a sky of r electrons a pixel and second, read noise RN
and lambda spoiling events a second of open shutter reach the depth squared, per second of the night

    f(t) = t^2 exp(-lambda t) / ((t + o) (r t + RN^2)),

whose logarithm has the slope 2/t - lambda - 1/(t + o) - r/(r t + RN^2). It falls steadily wherever
it is positive, so that there is one best length; without spoiling none, for longer is always a
little better. From the CCD equation (Howell, Handbook of CCD Astronomy; from memory). The usual
rule of thumb, that read noise adds no more than p to the sky's, is t = RN^2 / (r ((1 + p)^2 - 1)).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, expm1, inf, sqrt

WITHIN = 0.98
SHORTEST_S, LONGEST_S = 1e-4, 1e9
SWAMP = 0.05  # that read noise may add to the sky's (common practice, no source)
STEPS = 200


class Limit(StrEnum):
    """What makes a length too short, or too long."""

    OVERHEAD = "time between frames"
    READ_NOISE = "read noise"
    SPOILT = "spoilt frames"
    CLIPPED = "clipped stars"
    NOTHING = "nothing that is known"


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the best length hangs on."""

    sky_e_s: float  # electrons a pixel and second, dark current in it
    read_noise_e: float
    overhead_s: float
    spoilt_a_s: float  # spoiling events a second of open shutter

    def speed(self, time_s: float) -> float:
        """Give depth squared per second of the night."""
        noise2 = self.sky_e_s * time_s + self.read_noise_e**2
        return time_s**2 * exp(-self.spoilt_a_s * time_s) / ((time_s + self.overhead_s) * noise2)

    def slope(self, time_s: float) -> float:
        """Give the slope of the logarithm of the speed."""
        noise2 = self.sky_e_s * time_s + self.read_noise_e**2
        rise = 2 / time_s - 1 / (time_s + self.overhead_s) - self.sky_e_s / noise2
        return rise - self.spoilt_a_s


@dataclass(frozen=True, slots=True)
class Lengths:
    """The lengths within 2 % of the best."""

    best_s: float | None  # None: longer is always a little better
    low_s: float
    high_s: float | None
    too_short: Limit
    top: float  # the best speed

    def share(self, conditions: Conditions, time_s: float) -> float:
        """Give the speed at a length over the best."""
        return conditions.speed(time_s) / self.top


def lengths(conditions: Conditions) -> Lengths:
    """Find the best length and the range around it."""
    best_s = _root(conditions.slope, SHORTEST_S, LONGEST_S) if conditions.spoilt_a_s > 0 else None
    top = conditions.speed(best_s) if best_s else 1 / conditions.sky_e_s

    def beyond(time_s: float) -> float:
        return WITHIN * top - conditions.speed(time_s)

    low_s = _root(beyond, SHORTEST_S, best_s or LONGEST_S)
    high_s = _root(lambda t: -beyond(t), best_s, LONGEST_S) if best_s else None
    return Lengths(best_s, low_s, high_s, _too_short(conditions, low_s), top)


def _root(falling: Callable[[float], float], low: float, high: float) -> float:
    """Find where what is positive below becomes negative, by halving ratios."""
    for _ in range(STEPS):
        middle = sqrt(low * high)
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return sqrt(low * high)


def _too_short(conditions: Conditions, time_s: float) -> Limit:
    """Say what takes more of the speed at the short end: the shares of time and of noise."""
    lost = conditions.overhead_s / (time_s + conditions.overhead_s)
    read2 = conditions.read_noise_e**2
    noise = read2 / (conditions.sky_e_s * time_s + read2)
    return Limit.OVERHEAD if lost > noise else Limit.READ_NOISE


def swamp_s(conditions: Conditions, share: float = SWAMP) -> float:
    """Give the length from which read noise adds no more than a share to the sky's noise."""
    return conditions.read_noise_e**2 / (conditions.sky_e_s * ((1 + share) ** 2 - 1))


def spoiling_rate(good_s: Sequence[float], spoilt_s: Sequence[float]) -> float:
    """Give the most likely rate of spoiling events, per second of open shutter.

    A frame of t is spared with exp(-lambda t): the rate solves sum over spoilt t / (exp(lambda t) -
    1) = sum over good t. 0 where none is spoilt; where all are it has no upper bound (inf).
    """
    if not spoilt_s:
        return 0.0
    good = sum(good_s)
    if good <= 0:
        return inf

    def over(rate: float) -> float:
        return sum(t / expm1(rate * t) for t in spoilt_s if rate * t < 700) - good

    return _root(over, 1e-12, 1e3)


def electrons_of_sky(variance_e2: float, read_noise_e: float, time_s: float) -> float:
    """Take the read noise out of a pixel's variance: what is left is light, a second."""
    return (variance_e2 - read_noise_e**2) / time_s
