"""Light frames with the Sun up: one question a run, with what would put the Sun down."""

import math
from datetime import UTC, datetime, timedelta

import ephem
import pytest

from runlog.core.sky.daylight import Lit, daylight_question

WEST_DEG, LATITUDE_DEG = -110.88, 31.68
EVENING = datetime(2017, 12, 20, 1, 40, tzinfo=UTC)  # 18:16 at the site


def sun_deg(when, longitude_deg):
    """Give the Sun's altitude by ephem."""
    place = ephem.Observer()
    place.lat, place.lon, place.pressure = str(LATITUDE_DEG), str(longitude_deg), 0
    place.date = when.replace(tzinfo=None)
    return math.degrees(ephem.Sun(place).alt)


def lit(hours, longitude_deg, config=False):
    """Make lights at some hours after the evening began, as a header of this longitude has them."""
    times = [EVENING + timedelta(hours=h) for h in hours]
    return [Lit(t, LATITUDE_DEG, longitude_deg, config, sun_deg(t, longitude_deg)) for t in times]


ALL_NIGHT = [0, 2, 4, 6, 8, 10, 11]


def test_a_right_night_asks_nothing():
    """Guards clean nights."""
    assert daylight_question(lit(ALL_NIGHT, WEST_DEG)) is None
    assert daylight_question([]) is None


def test_the_sign_is_proposed_with_its_command():
    """Guards the real case: the Sun high in every frame, and deep down at the other sign."""
    asked = daylight_question(lit(range(3, 8), -WEST_DEG))
    assert asked.text.startswith("the Sun stood 9 to 35 degrees above the horizon in every light")
    assert "the sign of the longitude is wrong (at -110.88 it was" in asked.text
    assert asked.cure.splitlines()[0] == 'site "31.68 -110.88"'
    leaning = daylight_question(lit(range(3, 8), -WEST_DEG, config=True))
    assert "longitude_deg = -110.88" in leaning.cure.splitlines()[0]


def test_both_mistakes_are_named_where_both_fit():
    """Guards a guess: local time written as UTC can look just the same."""
    asked = daylight_question(lit([0, 1, 2], -WEST_DEG))
    assert "the sign of the longitude is wrong" in asked.text
    assert "or local time was written as UTC (about 7h earlier" in asked.text
    assert asked.cure == 'site "31.68 -110.88"\ndate "7h earlier"'


def test_local_time_written_as_utc():
    """A rig in the west whose clock is local: the shift is proposed where the sign cannot be it."""
    local = timedelta(hours=-7)
    lights = [
        Lit(x.middle + local, x.latitude_deg, WEST_DEG, False, sun_deg(x.middle + local, WEST_DEG))
        for x in lit(ALL_NIGHT, WEST_DEG)
    ]
    asked = daylight_question(lights)
    assert "local time was written as UTC (about 7h later it was" in asked.text
    assert asked.cure.splitlines()[-1] == 'date "7h later"'
    assert " of 7 light frames" in asked.text


@pytest.mark.parametrize(("longitude", "hours"), [(WEST_DEG, [-1.1]), (WEST_DEG, [-1.1, 1, 2])])
def test_twilight_is_not_called_a_wrong_sign(longitude, hours):
    """A first frame begun at dusk is no reason to doubt the place."""
    asked = daylight_question(lit(hours, longitude))
    assert "bright twilight" in asked.text
    assert asked.cure == ""


def test_nothing_explains_noon():
    """Lights over a whole day are no night at any longitude: no cure is made up."""
    asked = daylight_question(lit(range(0, 24, 3), 10.0))
    assert "wrong clock, wrong place, or taken by day" in asked.text
    assert asked.cure == ""
