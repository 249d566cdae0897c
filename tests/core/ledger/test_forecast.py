"""Forecasts hold what they promise, tried on nights drawn at random."""

import random
from datetime import date, timedelta
from math import ceil

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from runlog.core.ledger.forecast import (
    FEWEST_NIGHTS,
    LEAST_YIELD_S,
    Nights,
    Yield,
    fewest_words,
    nights_needed,
    pace_of,
    span_words,
)
from runlog.core.student import student_t90

H = 3600.0


def test_the_table_is_that_of_scipy():
    """Student's t at every number of nights there may be, in the table and beyond it."""
    for freedom in range(1, 1000):
        assert student_t90(freedom) == pytest.approx(stats.t.ppf(0.9, freedom), abs=0.001)


def test_even_nights_need_no_range():
    """Nights that always bring two hours: ten hours are five nights, no more and no less."""
    record = Yield((2 * H,) * 8, 20 * H)
    assert nights_needed(10 * H, record) == Nights(5, 5, 5)
    assert record.share_kept == pytest.approx(0.8)


def test_nothing_to_go_needs_no_night():
    """A goal reached needs none, whatever the record."""
    assert nights_needed(0.0, Yield((), 0.0)) == Nights(0, 0, 0)


@pytest.mark.parametrize("nights", range(FEWEST_NIGHTS))
def test_too_little_history_is_said(nights):
    """Below five nights there is no forecast, but plain words."""
    record = Yield((2 * H,) * nights, 2 * H * nights)
    assert nights_needed(10 * H, record) is None
    assert "no forecast" in fewest_words(record, "Ha") or "too few" in fewest_words(record, "Ha")


def test_nights_that_brought_nothing():
    """Six clouded nights forecast nothing, and divide by nothing."""
    record = Yield((0.0,) * 6, 6 * H)
    assert nights_needed(10 * H, record) is None
    assert "nothing that was kept" in fewest_words(record, "L")


def drawn(rng):
    """Draw what a night brings: clouded out one time in six, else up to six hours."""
    return 0.0 if rng.random() < 1 / 6 else rng.uniform(0.5, 6.0) * H


@pytest.mark.parametrize(("history", "goal_h"), [(6, 12), (10, 15), (20, 20), (40, 30)])
def test_the_range_holds_eight_times_in_ten(history, goal_h):
    """The nights really needed lie in the range about as often as promised (simulation, seeded).

    2,000 trials: the standard error is 1 %; whole nights make the range somewhat too wide.
    """
    rng = random.Random(1000 * history + goal_h)
    inside = 0
    trials = 2000
    for _ in range(trials):
        record = Yield(tuple(drawn(rng) for _ in range(history)), history * 6 * H)
        need = nights_needed(goal_h * H, record)
        if need is None:
            continue
        took, kept = 0, 0.0
        while kept < goal_h * H:
            kept += drawn(rng)
            took += 1
        inside += need.few <= took and (need.many is None or took <= need.many)
    assert 0.76 < inside / trials < 0.97


YIELDS = st.lists(st.floats(0, 10 * H), min_size=FEWEST_NIGHTS, max_size=30)


@given(YIELDS, st.floats(1.0, 200 * H))
@example([5e-324] * FEWEST_NIGHTS, H)
def test_the_range_holds_the_likely(kept, to_go_s):
    """Few is never more than likely, nor likely more than many; the likely nights suffice."""
    need = nights_needed(to_go_s, Yield(tuple(kept), sum(kept)))
    if need is None:
        assert sum(kept) < len(kept) * LEAST_YIELD_S
        return
    assert 1 <= need.few <= need.likely
    assert need.many is None or need.likely <= need.many
    assert need.likely >= ceil(to_go_s / max(kept)) - 1


def test_weeks_at_ones_pace():
    """Eleven nights in 91 days: five more take 41 days, six weeks."""
    first = date(2026, 1, 1)
    pace = pace_of([(first + timedelta(days=9 * i)).isoformat() for i in range(11)])
    assert (pace.clear_nights, pace.days) == (11, 91)
    assert span_words(Nights(5, 3, 9), pace) == "5 (3 to 9) nights, about 6 weeks at your pace"


def test_pace_of_no_night():
    """No dated night, no pace."""
    assert pace_of(["", ""]).share is None
    assert span_words(Nights(3, 2, None), pace_of([])) == "3 (2 to no end in sight) nights"
