"""Dates with chances, against the negative binomial and drawn weather."""

from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import nbinom

from runlog.core.worth.chances import (
    Open,
    Record,
    chances,
    drawn,
    quantile_night,
    reached,
    record_of,
    weather,
)  # fmt: skip

N, SIMS = 366, 4000
DARK = np.full(N, 36000.0)
MONTHS = np.arange(N) // 31 % 12


def flat(k, n, shares=(1.0,)):
    """Make a record where the night before says nothing, k clear of n in every month."""
    return Record(np.full((12, 2), float(k)), np.full((12, 2), float(n)), np.array(shares))


@pytest.mark.parametrize("p, units", [(0.4, 10), (0.25, 6), (0.7, 20)])
def test_one_unit_a_clear_night_is_the_negative_binomial(p, units):
    """Independent nights: scipy's nbinom gives the quantiles, of failures before the n-th unit."""
    record = flat(p * 1e7, 1e7)  # known as well as can be
    goal = Open(units * 36000.0, DARK, np.ones(N))
    done = drawn([goal], DARK, MONTHS, record, SIMS)[0] + 1  # nights, the first one is 1
    for share in (0.2, 0.5, 0.8):
        exact = nbinom.ppf(share, units, p) + units
        assert quantile_night(done, share, N) == pytest.approx(exact, abs=1)
    assert done.mean() == pytest.approx(units / p, rel=0.02)


def test_ten_units_at_four_in_ten():
    """The median is night 24 or 25, as scipy has it."""
    goal = Open(10 * 36000.0, DARK, np.ones(N))
    (found,) = chances([goal], DARK, MONTHS, flat(4e6, 1e7), SIMS)
    assert found.at[1] + 1 in (24, 25)
    assert nbinom.ppf(0.5, 10, 0.4) + 10 in (24.0, 25.0)


def test_not_this_season():
    """A season of 30 nights: 1 - nbinom.cdf of it; nothing usable: never."""
    goal = Open(10 * 36000.0, DARK, np.ones(N), end=29)
    (found,) = chances([goal], DARK, MONTHS, flat(4e6, 1e7), SIMS)
    assert found.not_in_season == pytest.approx(1 - nbinom.cdf(20, 10, 0.4), abs=0.02)
    (never,) = chances([Open(1.0, np.zeros(N), np.zeros(N))], DARK, MONTHS, flat(4, 10))
    assert (never.at, never.not_in_season) == ((None, None, None), 1.0)


def test_weather_is_a_chain():
    """Clear follows clear 3 times in 5, cloud 3 times in 4: 38.5 % of nights, and runs as drawn."""
    record = Record(
        np.tile([0.25e6, 0.6e6], (12, 1)), np.full((12, 2), 1e6), np.ones(1)
    )  # fmt: skip
    found = weather(np.random.default_rng(1), record, MONTHS, 2000)
    assert found.mean() == pytest.approx(0.25 / 0.65, abs=0.005)
    after = found[1:][found[:-1] == 1].mean()
    assert after == pytest.approx(0.6, abs=0.01)


def test_short_records_say_less():
    """Four nights of ten and four hundred of a thousand: the same middle, a wider range."""
    goal = Open(10 * 36000.0, DARK, np.ones(N))
    records = (flat(0.2, 0.5), flat(20, 50))
    few, many = (drawn([goal], DARK, MONTHS, record, SIMS)[0] for record in records)
    span = [np.quantile(d, 0.9) - np.quantile(d, 0.1) for d in (few, many)]
    assert span[0] > 1.15 * span[1]
    assert np.median(few) == pytest.approx(np.median(many), abs=3)


def test_goals_share_a_night():
    """Two goals alike take turns with one night: the last is through when both needs are met."""
    clear, share = np.ones((N, 1)), np.ones((N, 1))
    pair = [Open(5 * 36000.0, DARK, np.ones(N)) for _ in range(2)]
    assert reached(pair, DARK, clear, share, 1.0).max() == 9
    first = [Open(5 * 36000.0, DARK, np.ones(N), priority=p) for p in (1.0, 0.1)]
    done = reached(first, DARK, clear, share, 1.0)[:, 0]
    assert done[0] < done[1] == 9


def test_what_is_up_half_the_night_leaves_room():
    """Two targets, each up half the dark: both get their half of every night."""
    clear, share = np.ones((N, 1)), np.ones((N, 1))
    pair = [Open(5 * 18000.0, DARK / 2, np.ones(N)) for _ in range(2)]
    assert reached(pair, DARK, clear, share, 1.0).tolist() == [[4], [4]]


def test_record_of_nights():
    """Transitions are counted by month; shares are of the dark; short dark tells none."""
    first = date(2026, 9, 29)
    kept = {first + timedelta(days=n): 7200.0 for n in (0, 1, 4)}
    dark = dict.fromkeys(kept, 14400.0) | {first: 600.0}
    found = record_of(kept, dark)
    assert found.nights[8].tolist() == [0, 1]  # 30 September, after a clear night
    assert found.clear[8].tolist() == [0, 1]
    assert found.nights[9].tolist() == [2, 1]  # 1 October cloudy after clear, 2nd, and 3rd clear
    assert found.clear[9].tolist() == [1, 0]
    assert found.shares.tolist() == [0.5, 0.5]


def test_the_same_record_gives_the_same_dates():
    """The seed is fixed."""
    goal = Open(10 * 36000.0, DARK, np.ones(N))
    record = flat(4, 10, (0.2, 0.9, 0.5))
    one, other = (chances([goal], DARK, MONTHS, record) for _ in range(2))
    assert one == other
