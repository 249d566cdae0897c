"""Nights run from local noon to local noon and bear the evening's date."""

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.sky.nights import Clock, night_of

MACHINE = Clock()
EVENING = date(2026, 10, 9)


def utc(text: str) -> datetime:
    """Read a UTC moment."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("taken", "longitude_deg", "evening"),
    [
        # the middle of Europe: 22:00 UTC is an hour to midnight, 02:00 UTC is after it
        ("2026-10-09T22:00", 16.0, EVENING),
        ("2026-10-10T02:00", 16.0, EVENING),
        # Chile, 70 degrees west: the whole night has the next UTC date
        ("2026-10-10T01:00", -70.0, EVENING),
        ("2026-10-10T09:00", -70.0, EVENING),
        # eastern Australia: the evening begins in the UTC morning
        ("2026-10-09T09:30", 149.0, EVENING),
        ("2026-10-09T18:30", 149.0, EVENING),
        # Hawaii, 155 degrees west
        ("2026-10-10T05:00", -155.0, EVENING),
        ("2026-10-10T15:00", -155.0, EVENING),
        # both sides of the date line keep their own dates for one moment
        ("2026-10-09T10:00", 179.0, EVENING),
        ("2026-10-10T10:00", -179.0, EVENING),
        # a longitude counted from 0 to 360 is the same place
        ("2026-10-10T01:00", 290.0, EVENING),
        ("2026-10-10T10:00", 181.0, EVENING),
    ],
)
def test_longitude_names_the_night(taken, longitude_deg, evening):
    """Frames after midnight belong to the evening before, east and west."""
    night = night_of(utc(taken), longitude_deg, MACHINE)
    assert night.evening == evening
    assert night.source == "longitude in the header"


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1), timezones=st.just(UTC)),
    st.floats(-180, 180),
)
def test_a_night_is_noon_to_noon(taken, longitude_deg):
    """A moment lies within a day after mean local noon of its evening, at any longitude."""
    noon = datetime.combine(
        night_of(taken, longitude_deg, MACHINE).evening, datetime.min.time(), UTC
    ) + timedelta(hours=12 - longitude_deg / 15)
    slack = timedelta(milliseconds=1)  # degrees to hours rounds in the last place
    assert noon - slack <= taken < noon + timedelta(days=1) + slack


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1), timezones=st.just(UTC)),
    st.floats(180.001, 359.999),
)
def test_longitudes_beyond_180_are_west(taken, longitude_deg):
    """190 degrees east is 170 degrees west: the night must not be a day later for it."""
    east = night_of(taken, longitude_deg, MACHINE)
    west = night_of(taken, longitude_deg - 360, MACHINE)
    assert east.evening == west.evening


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2050, 1, 1)),
    st.floats(-180, 180),
    st.integers(-14, 14),
)
def test_the_zone_a_moment_is_written_in_does_not_matter(naive, longitude_deg, hours):
    """The same moment in another zone is in the same night."""
    taken = naive.replace(tzinfo=UTC)
    other = taken.astimezone(timezone(timedelta(hours=hours)))
    assert night_of(taken, longitude_deg, MACHINE) == night_of(other, longitude_deg, MACHINE)


def test_the_header_outranks_the_config():
    """The longitude in a header is used before the configured one, and the source is said."""
    clock = Clock(longitude_deg=149.0)
    taken = utc("2026-10-09T10:00")
    assert night_of(taken, 16.0, clock).evening == date(2026, 10, 8)
    configured = night_of(taken, None, clock)
    assert configured.evening == EVENING
    assert configured.source == "longitude in the config"


@pytest.mark.parametrize(
    ("taken", "evening"),
    [
        # Vienna leaves summer time at 2026-10-25 01:00 UTC; noon is 10:00 UTC, then 11:00 UTC
        ("2026-10-24T10:30", date(2026, 10, 24)),
        ("2026-10-25T00:30", date(2026, 10, 24)),
        ("2026-10-25T01:30", date(2026, 10, 24)),
        ("2026-10-25T10:30", date(2026, 10, 24)),
        ("2026-10-25T11:30", date(2026, 10, 25)),
        # and enters it at 2026-03-29 01:00 UTC
        ("2026-03-28T11:30", date(2026, 3, 28)),
        ("2026-03-29T09:30", date(2026, 3, 28)),
        ("2026-03-29T10:30", date(2026, 3, 29)),
    ],
)
def test_time_zone_with_daylight_saving(taken, evening):
    """Without a longitude the zone's own noon counts, in summer and in winter time."""
    clock = Clock(None, ZoneInfo("Europe/Vienna"), "time zone Europe/Vienna in the config")
    night = night_of(utc(taken), None, clock)
    assert night.evening == evening
    assert night.source == "time zone Europe/Vienna in the config"


def test_the_machine_is_the_last_resort(monkeypatch):
    """With neither longitude nor zone the machine's own zone is used, and the row says so."""
    import time

    monkeypatch.setenv("TZ", "Australia/Sydney")
    time.tzset()
    try:
        night = night_of(utc("2026-10-09T09:30"), None, MACHINE)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert night.evening == EVENING
    assert night.source == "the machine's time zone"
