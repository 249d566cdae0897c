"""Which sweeps tell a focus, and the reason where one does not."""

import numpy as np
import pytest

from runlog.core.focus.judge import judge
from runlog.core.focus.plot import LEAST, plot
from tests.core.focus.drawn import ARM_PX, LEAST_PX, drawn, sweep

X = 10_000 + 35.0 * np.arange(-4, 5)


def v(x, best=10_000.0, low=ARM_PX, high=ARM_PX):
    """Half-flux radius with arms of two slopes."""
    x = np.asarray(x, dtype=float)
    return np.hypot(LEAST_PX, np.where(x < best, low, high) * (x - best))


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (sweep(X[:4], v(X[:4])), "only 4 positions were taken: it takes 5"),
        (sweep(X, [*v(X[:3]), *[None] * 6]), "only 3 of 9 positions show stars enough"),
        (sweep(X, v(X, best=10_300)), "the best position lies beyond 10,140"),
        (sweep(X, v(X, best=9_700)), "the best position lies below 9,860"),
        (sweep(X, v(X, best=10_120)), "only 1 measured position above the minimum"),
        (sweep(X, np.full(9, 1.4)), "no minimum is seen"),
        (sweep(X, 2.0 - 0.001 * np.arange(-4, 5) ** 2), "no minimum"),
        (sweep(X, v(X, low=0.03, high=0.012)), "the arms differ"),
        (sweep(X, v(X), stars=[200] * 5 + [60] * 4), "cloud came or went"),
        (sweep(X, v(X) * [1, 1.9, 1, 0.5, 1.4, 1, 1.8, 0.6, 1]), "scatter"),
    ],
)
def test_refused(made, reason):
    """Each way a sweep shows no minimum has its reason, and gives no zone."""
    result = judge(made)
    assert not result.good
    assert reason in result.reason
    assert result.half_range is None


def test_good_ones_are_not_refused():
    """Of 500 drawn sweeps of 7 frames with 5 % errors at most 1 % are refused (simulation)."""
    random = np.random.default_rng(4)
    good = [
        judge(drawn(random, 10_000 + random.uniform(-30, 30), points=7)).good for _ in range(500)
    ]
    assert sum(good) >= 495


def test_fewer_stars_out_of_focus_are_no_cloud():
    """Both arms lose stars alike as they widen; that is not cloud."""
    stars = (130 / (1 + np.abs(np.arange(-4, 5)))).round()
    assert judge(sweep(X, v(X), stars=stars)).good


def test_the_zone_is_where_stars_are_a_twentieth_wider():
    """(a/b) sqrt(1.05^2 - 1) = 0.320 a/b: by arithmetic."""
    result = judge(sweep(X, v(X)))
    assert result.half_range == pytest.approx(0.3202 * LEAST_PX / ARM_PX, rel=1e-3)


def test_the_order_of_frames_does_not_matter():
    """A sweep taken downwards finds the same focus, and says so."""
    up, down = judge(sweep(X, v(X, 10_011))), judge(sweep(X[::-1], v(X[::-1], 10_011)))
    assert up.fit.best == pytest.approx(down.fit.best, abs=1e-6)
    assert (up.sweep.approach, down.sweep.approach) == ("rising", "falling")


def test_the_picture():
    """Nine points, the minimum in the middle, and the frames beneath; no line is too long."""
    lines = plot(judge(sweep(X, v(X))), [10_000, 10_000, 10_070, 12_000])
    assert sum(line.count("o") for line in lines[:11]) == 9
    assert all(LEAST in line[10:] or "o" in line for line in lines[:11])
    assert lines[-2].count("X") == 1
    assert lines[-2].count("x") == 1
    assert "1 of the night's frames lie" in lines[-1]
    assert max(map(len, lines)) <= 79
    assert plot(judge(sweep(X[:3], v(X[:3])))) == []
