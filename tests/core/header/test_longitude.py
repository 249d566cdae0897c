"""The sign of the longitude: what its comment says, and what the header's own clocks say."""

from datetime import UTC, datetime, timedelta

import ephem
import pytest
from astropy.coordinates import EarthLocation

from runlog.core.frame import Card, Shape
from runlog.core.header.cards import CardIndex
from runlog.core.header.longitude import Taken
from runlog.core.header.parse import parse_header
from runlog.core.header.questions import Doubts
from runlog.core.header.site import read_site

WEST_DEG = -110.88
TAKEN = datetime(2019, 3, 4, 6, 30, tzinfo=UTC)


def longitude_of(*cards, taken=TAKEN, exposure_s=60.0, ra_deg=None):
    """Read a longitude with the codes asked about it."""
    doubts = Doubts()
    index = CardIndex([Card(*card) for card in cards])
    site = read_site(index, doubts, Taken(taken, exposure_s, ra_deg))
    return site.longitude_deg, {q.code for q in doubts._asked.values()}


def sidereal_h(longitude_deg, when=TAKEN):
    """Give local sidereal time in hours by ephem, a second opinion."""
    place = ephem.Observer()
    place.lon, place.date = str(longitude_deg), when.replace(tzinfo=None)
    return float(place.sidereal_time()) * 12 / 3.141592653589793


def clock(hours):
    """Write hours as HH:MM:SS."""
    seconds = round(hours % 24 * 3600)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


@pytest.mark.parametrize(
    ("value", "comment", "expected"),
    [
        ("111:36.0", "Longitude (degrees W)", -111.6),
        (111.6, "deg W", -111.6),
        (111.6, "[deg West] site", -111.6),
        (111.6, "West longitude", -111.6),
        (111.6, "degrees west of Greenwich", -111.6),
        (111.6, "W", -111.6),
        (-111.6, "Longitude (degrees W)", -111.6),
        (111.6, "[deg] positive west", -111.6),
        (111.6, "+ve West", -111.6),
        (111.6, "(W+)", -111.6),
        (111.6, "+ = west", -111.6),
        (-16.4, "west is positive", 16.4),
        (-16.4, "East longitude negative", 16.4),
        (-111.6, "east positive, west negative", -111.6),
        (-111.6, "East +ve West -ve", -111.6),
        (-111.6, "(+E, -W)", -111.6),
        (-111.6, "Tel geo longitude (+=East) (deg)", -111.6),
        (16.4, "longitude - East", 16.4),
        (16.4, "degrees, -180 to 180, E is positive", 16.4),
        (111.6, "western longitude", -111.6),
        (150.7, "Western Valley Observatory", 150.7),
        (16.4, "of the dome", 16.4),
    ],
)
def test_a_comment_says_which_way_is_positive(value, comment, expected):
    """Guards every usual way of writing the direction, and a name from being one."""
    found, codes = longitude_of(("SITELONG", value, comment), taken=None)
    assert found == pytest.approx(expected)
    assert codes == set()


SIDEREAL = clock(sidereal_h(WEST_DEG))


@pytest.mark.parametrize(
    "evidence",
    [
        [("LST", SIDEREAL)],
        [("ST", SIDEREAL.replace(":", " "))],
        [("LST-OBS", sidereal_h(WEST_DEG) * 3600, "LST at start (sec)")],
        [("LST", sidereal_h(WEST_DEG) * 15, "[deg] sidereal time")],
        [("SIDEREAL", sidereal_h(WEST_DEG), "hours")],
        [("LST", clock(sidereal_h(WEST_DEG, TAKEN + timedelta(minutes=12))))],
        [("HA", clock(sidereal_h(WEST_DEG) - 3.0))],
        [("HA", (sidereal_h(WEST_DEG) - 3.0) % 24 * 15, "Hour Angle")],
        [("DATE-OBS", "2019-03-03T23:30:00-0700")],
        [("LOCTIME", "23:30:00", "local time at start")],
        [("DATE-LOC", "2019-03-03T23:30:00")],
        [("TIME-OBS", "23:30:00", "local time of start")],
        [("UTCOFFST", -7.0)],
        [("UTC-OFFSET", "-07:00")],
        [("TZOFFSET", "-0700")],
        [("UTCOFFST", -25200, "[s]")],
        # A sidereal time that fits neither sign leaves the word to the next clue.
        [("LST", clock(sidereal_h(WEST_DEG) + 6.0)), ("LOCTIME", "23:30:00")],
    ],
)
def test_the_headers_clocks_turn_the_sign(evidence):
    """Guards the real case: a longitude written positive to the west beside clocks that say so."""
    found, codes = longitude_of(("LATITUDE", 31.7), ("LONGITUD", -WEST_DEG), *evidence, ra_deg=45.0)
    assert found == pytest.approx(WEST_DEG)
    assert codes == {"site-longitude"}
    found, codes = longitude_of(("LATITUDE", 31.7), ("LONGITUD", WEST_DEG), *evidence, ra_deg=45.0)
    assert found == pytest.approx(WEST_DEG)
    assert codes == set()


@pytest.mark.parametrize(
    ("longitude", "evidence"),
    [
        (-70.8, [("LST", "00:00:00")]),  # never set
        (-70.8, [("LST", clock(sidereal_h(-70.8) + 5.0))]),  # of another moment
        (-70.8, [("DATE-OBS", "2019-03-04T08:30:00+0200")]),  # a computer on its owner's time
        (-70.8, [("LOCTIME", "06:30:00")]),  # a computer on UTC
        (-70.8, [("DATE-OBS", "2019-03-04T03:30:00-0300")]),  # summer time in Chile
        (75.9, [("LOCTIME", "14:30:00")]),  # Kashgar keeps Beijing's time
        (5.2, [("LST", clock(sidereal_h(-5.2)))]),  # too near to Greenwich to tell
        (110.9, [("LOCTIME", "who knows")]),
        (110.9, [("TIMEZONE", 7), ("TIMEZONE", -7)]),  # counted both ways
        (110.9, [("UTCOFFST", 99999999.0), ("TZOFFSET", "MST")]),
        (110.9, [("HA", 3.0, "Hour Angle")]),  # hours or degrees?
    ],
)
def test_what_does_not_decide_changes_nothing(longitude, evidence):
    """Guards a right sign from clocks that are wrong, far off or of no use."""
    found, codes = longitude_of(("SITELONG", longitude), *evidence, ra_deg=45.0)
    assert found == longitude
    assert codes == set()


def test_a_night_asks_one_question():
    """Guards the words from naming the clue: whichever decides, all frames ask the same."""
    by_sidereal, by_zone = (
        parse_header(
            [Card("DATE-OBS", "2019-03-04T06:30:00"), Card("LATITUDE", 31.7),
             Card("LONGITUD", 110.88), Card("IMAGETYP", "Light"), Card("EXPTIME", 60.0), clue],
            Shape(10, 10),
        ).questions
        for clue in (Card("LST", SIDEREAL), Card("LOCTIME", "23:30:00"))
    )  # fmt: skip
    assert [q for q in by_sidereal if q.code == "site-longitude"] == [
        q for q in by_zone if q.code == "site-longitude"
    ]
    (asked,) = [q for q in by_sidereal if q.code == "site-longitude"]
    assert "110.88 was taken as -110.88" in asked.text
    assert asked.cure == 'site "31.7 -110.88"'


@pytest.mark.parametrize(
    ("latitude", "longitude", "height"),
    [(30.68, -104.015, 2029.0), (-32.38, 20.81, 1760.0), (60.0, 10.0, 0.0)],
)
def test_a_place_from_the_earths_centre(latitude, longitude, height):
    """OBSGEO-X, -Y, -Z (FITS Standard 4.0) are turned to the place astropy made them from."""
    there = EarthLocation.from_geodetic(longitude, latitude, height)
    index = CardIndex(
        [Card(f"OBSGEO-{axis}", float(value.to_value("m")))
         for axis, value in zip("XYZ", there.geocentric, strict=True)]
    )  # fmt: skip
    found = read_site(index, Doubts())
    assert found.latitude_deg == pytest.approx(latitude, abs=1e-6)
    assert found.longitude_deg == pytest.approx(longitude, abs=1e-6)
    assert found.elevation_m == pytest.approx(height, abs=0.1)
    nowhere = CardIndex([Card(f"OBSGEO-{axis}", 0.0) for axis in "XYZ"])
    assert read_site(nowhere, Doubts()).longitude_deg is None
