"""How values are written for people."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.columns import COLUMNS, NOTHING, hours, moment, written


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.23, "0.2 s"),
        (0.97, "1 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (60, "1 min"),
        (3599, "1 h 00 min"),
        (3600, "1 h 00 min"),
        (71 * 300, "5 h 55 min"),  # 355 minutes (common practice, no source)
        (100 * 3600, "100 h 00 min"),
    ],
)
def test_hours(seconds, text):
    """Lengths of time read as people say them, and never as 60 min."""
    assert hours(seconds) == text


@given(st.floats(0, 1e7))
def test_hours_never_say_60(seconds):
    """Rounding carries over: there is no "60 min" and no "60 s"."""
    assert "60" not in hours(seconds).split(" h ")[-1].split()[0]


def test_moments_end_with_z():
    """Times are UTC in ISO 8601 with Z."""
    assert moment(datetime(2026, 10, 9, 22, tzinfo=UTC)) == "2026-10-09T22:00:00Z"
    exact = datetime(2026, 10, 9, 22, 0, 0, 600_000, tzinfo=UTC)
    assert moment(exact) == "2026-10-09T22:00:00.600Z"


@pytest.mark.parametrize("key", COLUMNS)
def test_a_missing_value_is_a_dash(key):
    """Every column can say that there is nothing to say."""
    assert written(key, None) == NOTHING
