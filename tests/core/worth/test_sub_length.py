"""The best lengths and their ranges, against worked numbers, scipy and brute force."""

from math import inf

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from runlog.core.worth.sub_length import (
    Conditions,
    Limit,
    electrons_of_sky,
    lengths,
    spoiling_rate,
    swamp_s,
)  # fmt: skip

A_HALF = 0.5 / 3600
WORKED = [
    # r e/s, RN e, o s, best s, low s, high s
    (2.0, 1.6, 5.0, 210.5, 93, 473),
    (0.03, 1.6, 5.0, 767, 491, 1189),
    (0.5, 8.0, 19.0, 974, None, None),
    (0.02, 8.0, 19.0, 3485, None, None),
]


@pytest.mark.parametrize("sky, read, lost, best, low, high", WORKED)
def test_worked_lengths(sky, read, lost, best, low, high):
    """Half an event an hour: the roots and 98 % ranges worked out beforehand."""
    found = lengths(Conditions(sky, read, lost, A_HALF))
    assert found.best_s == pytest.approx(best, rel=7e-4)
    if low:
        assert found.low_s == pytest.approx(low, abs=1.0)  # as given, rounded
        assert found.high_s == pytest.approx(high, abs=1.0)


def test_rule_of_thumb():
    """RN 1.6, 5 %: 12.5 s under 2 e/s, 832.5 s under 0.03 e/s."""
    assert swamp_s(Conditions(2.0, 1.6, 0, 0)) == pytest.approx(12.5, abs=0.05)
    assert swamp_s(Conditions(0.03, 1.6, 0, 0)) == pytest.approx(832.5, abs=0.05)


def test_roots_against_scipy():
    """Of 200 drawn conditions: scipy's minimum and roots are ours to a millionth."""
    random = np.random.default_rng(5)
    for _ in range(200):
        sky, read, lost, rate = 10 ** random.uniform((-2.5, -0.3, -0.5, -5), (1.5, 1.2, 1.8, -2))
        own = Conditions(sky, read, lost, rate)
        found = lengths(own)
        least = minimize_scalar(
            lambda x, own=own: -np.log(own.speed(np.exp(x))), bounds=(-5, 14), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip
        assert found.best_s == pytest.approx(np.exp(least.x), rel=1e-4)
        edge = lambda t, own=own, top=found.top: own.speed(t) - 0.98 * top  # noqa: E731
        assert found.low_s == pytest.approx(brentq(edge, 1e-3, found.best_s, rtol=1e-9), rel=1e-6)
        assert found.high_s == pytest.approx(brentq(edge, found.best_s, 1e7, rtol=1e-9), rel=1e-6)


def test_without_spoiling_there_is_no_longest():
    """Longer is always a little better: only a shortest length, and no best."""
    own = Conditions(2.0, 1.6, 5.0, 0.0)
    found = lengths(own)
    assert (found.best_s, found.high_s) == (None, None)
    assert own.speed(found.low_s) == pytest.approx(0.98 / 2.0)
    assert own.speed(1e6) < 1 / 2.0


def test_what_limits_the_short_end():
    """Much read noise under a dark sky; much time lost under a bright one."""
    assert lengths(Conditions(0.02, 8.0, 2.0, A_HALF)).too_short is Limit.READ_NOISE
    assert lengths(Conditions(5.0, 1.6, 30.0, A_HALF)).too_short is Limit.OVERHEAD


def test_speed_is_that_of_drawn_nights():
    """Nights simulated frame by frame give the depth squared of the formula, to their scatter.

    Poisson events in open shutter spoil frames; the others add up signal and variance.
    """
    random = np.random.default_rng(12)
    own, night_s = Conditions(0.5, 3.0, 12.0, 2 / 3600), 400 * 3600.0
    for time_s in (60.0, 300.0, 900.0):
        frames = int(night_s / (time_s + own.overhead_s))
        good = np.count_nonzero(random.poisson(own.spoilt_a_s * time_s, frames) == 0)
        noise2 = own.sky_e_s * time_s + own.read_noise_e**2
        depth2 = (good * time_s) ** 2 / (good * noise2) / night_s
        assert depth2 == pytest.approx(own.speed(time_s), rel=0.03)


def test_rate_of_spoiling():
    """Frames alike: -ln(1 - k/n) / t in closed form; mixed: the drawn rate comes back."""
    assert spoiling_rate([300.0] * 90, [300.0] * 10) == pytest.approx(-np.log(0.9) / 300)
    assert spoiling_rate([300.0] * 9, []) == 0.0
    assert spoiling_rate([], [300.0]) == inf
    random, rate = np.random.default_rng(3), 1 / 1800
    times = random.choice([60.0, 300.0, 600.0], 40000)
    spoilt = random.random(times.size) > np.exp(-rate * times)
    found = spoiling_rate(times[~spoilt].tolist(), times[spoilt].tolist())
    assert found == pytest.approx(rate, rel=0.03)


def test_sky_from_the_noise_of_pixels():
    """numpy: Poisson light of 0.7 e/s for 200 s and read noise 3 e give 0.7 e/s back."""
    random = np.random.default_rng(2)
    pixels = random.poisson(0.7 * 200, 200_000) + random.normal(0, 3.0, 200_000)
    assert electrons_of_sky(pixels.var(), 3.0, 200.0) == pytest.approx(0.7, rel=0.02)
