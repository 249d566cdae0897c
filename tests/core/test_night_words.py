"""Nights are named as people name them; days of the week checked with the standard library."""

from datetime import date

import pytest

from runlog.core.night_words import read_night

STORED = ["2026-10-16", "2026-10-10", "2026-10-09", "2026-10-02"]  # Friday, Saturday, Friday ...
TODAY = date(2026, 10, 19)  # a Monday


@pytest.mark.parametrize(
    ("text", "night"),
    [
        ("2026-10-10", "2026-10-10"), ("last", "2026-10-16"), ("last night", "2026-10-16"),
        ("-0", "2026-10-16"), ("-1", "2026-10-10"), (" -3", "2026-10-02"), ("-4", None),
        ("yesterday", "2026-10-18"), ("Today", "2026-10-19"), ("tonight", "2026-10-19"),
        ("friday", "2026-10-16"), ("Fri", "2026-10-16"), ("last friday", "2026-10-16"),
        ("sat", "2026-10-10"), ("monday", "2026-10-19"), ("sunday", "2026-10-18"),
        ("su", None), ("someday", None), ("", None), ("2026-13-01", None),
    ],
)  # fmt: skip
def test_a_night_in_words(text, night):
    """Guards what each word means, and that nonsense means nothing."""
    assert read_night(text, TODAY, STORED) == night


def test_days_of_the_week_are_those_of_the_calendar():
    """Guards against an off-by-one: Python's own calendar names the day."""
    for name in ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"):
        found = read_night(name, TODAY, [])
        assert date.fromisoformat(found).strftime("%A").lower() == name
        assert 0 <= (TODAY - date.fromisoformat(found)).days < 7


def test_no_night_is_stored():
    """An empty database has no last night."""
    assert read_night("last", TODAY, []) is None
