"""Times by the site's clock, right through changes of summer time, against the tz database."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from runlog.core.story.phrases.report import what_happened
from runlog.core.times import IN_UTC, Zone, clock, site_zone, times_in, zone_label

VIENNA, DELHI = Zone(ZoneInfo("Europe/Vienna")), Zone(ZoneInfo("Asia/Kolkata"))
# tz database, Europe/Vienna: CEST ends 2026-10-25 01:00 UTC, begins 2026-03-29 01:00 UTC.
SUMMER = datetime(2026, 8, 10, 21, 30, tzinfo=UTC)
WINTER = datetime(2026, 12, 10, 21, 30, tzinfo=UTC)
FIRST_HALF_PAST_TWO = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
SECOND_HALF_PAST_TWO = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_times_are_by_the_clock_on_the_wall_and_labelled() -> None:
    """Summer and winter have their own offset and name; half hours are no trouble."""
    assert VIENNA.at(SUMMER) == "23:30 CEST"
    assert VIENNA.at(WINTER) == "22:30 CET"
    assert DELHI.at(WINTER) == "03:00 IST"
    assert IN_UTC.at(WINTER) == "21:30 UTC"
    assert Zone(timezone(timedelta(hours=3))).at(WINTER) == "00:30 UTC+03:00"


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    """In the night clocks change every time carries its own zone, and no second label follows."""
    first, second = VIENNA.clock(FIRST_HALF_PAST_TWO), VIENNA.clock(SECOND_HALF_PAST_TWO)
    assert (first, second) == ("02:30 CEST", "02:30 CET")
    assert VIENNA.label(FIRST_HALF_PAST_TWO, SECOND_HALF_PAST_TWO) == ""


def test_sentences_are_in_utc_unless_somebody_shows_them() -> None:
    """What JSON is made of is UTC; inside `times_in` it is the zone's; afterwards UTC again."""
    assert clock(SUMMER) + zone_label(SUMMER) == "21:30 UTC"
    with times_in(VIENNA):
        assert clock(SUMMER) + zone_label(SUMMER) == "23:30 CEST"
    assert clock(SUMMER) + zone_label(SUMMER) == "21:30 UTC"
    assert what_happened(()) == "What happened"


@pytest.mark.parametrize(
    ("machine", "longitude", "named"),
    [("Europe/Vienna", 16.4, "CET"), ("Europe/Vienna", -110.0, "UTC"),
     ("America/Santiago", 289.2, "-03"), ("America/Santiago", -70.8, "-03"),
     ("Pacific/Auckland", -179.0, "NZDT"), ("Asia/Shanghai", 76.0, "CST"),
     ("Asia/Shanghai", None, "UTC"), ("UTC", 16.4, "UTC")],
)  # fmt: skip
def test_the_machines_zone_serves_where_it_can_be_the_sites(
    machine: str, longitude: float | None, named: str
) -> None:
    """Within three hours of mean solar time, over the date line too; else UTC."""
    zone = site_zone(None, longitude, WINTER, ZoneInfo(machine))
    assert zone.local(WINTER).tzname() == named


def test_the_configs_zone_always_serves() -> None:
    """A person who names a zone means it."""
    zone = site_zone(ZoneInfo("Asia/Kolkata"), -110.0, WINTER, ZoneInfo("UTC"))
    assert zone.at(WINTER) == "03:00 IST"
