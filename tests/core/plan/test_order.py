"""The running order against the exact optimum, its bound, and what must not change it."""

from dataclasses import replace

import numpy as np
import pytest

from runlog.core.plan.order import REST, Problem, best_order
from tests.core.plan.drawn import exact, problem


def test_small_nights_reach_the_exact_optimum():
    """Guards the order: 99 % of the optimum with change costs that HiGHS (scipy) proves, on drawn
    nights of at most 30 slots and 5 goals; and no bound below that optimum. Of the 200 that
    `python -m tests.bench.running_order` asks a few."""
    for number in range(24):
        night = problem(number)
        found, best = best_order(night), exact(night)
        assert found.value >= 0.99 * best, number
        assert found.value <= best * (1 + 2e-4) + 1e-9, number  # it is one of the orders there are
        assert found.bound >= best * (1 - 2e-4), number


def test_full_nights_reach_the_bound():
    """Guards long nights: 95 % of the printed bound in the median, 88 % at the 5 % point."""
    shares = [best_order(problem(n, 170, 30, 110)).share for n in range(12)]
    assert np.median(shares) >= 0.95
    assert np.quantile(shares, 0.05) >= 0.88


def test_one_goal_and_an_even_worth_reach_the_bound_exactly():
    """Guards the bound itself: with one goal and nothing to choose it is what is reached."""
    gain = np.full((1, 20), 250.0)
    one = Problem(gain, gain * 0.1, gain * 0.5, np.array([0]), np.eye(1), np.ones(1),
                  np.array([1e6]))  # fmt: skip
    found = best_order(one)
    assert found.value == found.bound == pytest.approx(20 * 250 - 125)
    assert not (found.sequence == REST).any()


def test_permuting_goals_changes_nothing():
    """Guards independence of order: the same value and bound however goals are numbered."""
    for number in range(6):
        night = problem(number)
        turn = np.random.default_rng(number).permutation(len(night.weight))
        turned = replace(
            night, gain_s=night.gain_s[turn], filter_loss_s=night.filter_loss_s[turn],
            target_loss_s=night.target_loss_s[turn], target=night.target[turn],
            serves=night.serves[turn][:, turn], weight=night.weight[turn],
            need_s=night.need_s[turn],
        )  # fmt: skip
        a, b = best_order(night), best_order(turned)
        assert a.value == pytest.approx(b.value, rel=1e-9)
        assert a.bound == pytest.approx(b.bound, rel=1e-6)


def test_a_dual_band_counts_for_both_its_goals():
    """Guards actions that serve two goals: one slot adds to each."""
    gain = np.array([[200.0] * 6, [250.0] * 6])
    serves = np.array([[1.0, 1.0], [1.0, 0.0]])
    both = Problem(gain, gain * 0, gain * 0, np.array([0, 0]), serves, np.ones(2), np.full(2, 1e5))
    found = best_order(both)
    assert (found.sequence == 0).all()
    assert found.value == pytest.approx(2 * 6 * 200)


@pytest.mark.parametrize("shape", [(0, 5), (3, 0)])
def test_nothing_to_do_is_no_order(shape):
    """Guards nights without a goal, or without dark."""
    empty = np.zeros(shape)
    found = best_order(
        Problem(empty, empty, empty, np.zeros(shape[0], dtype=np.int64), np.zeros((shape[0], 1)),
                np.ones(1), np.ones(1))
    )  # fmt: skip
    assert found.share is None
    assert found.value == 0
