"""Angles as headers write them, where a frame points, and where the rig stands."""

import pytest
from astropy.coordinates import Angle as AstropyAngle
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import Card, Shape
from runlog.core.header.cards import CardIndex
from runlog.core.header.coordinates import parse_angle, parse_sexagesimal, read_pointing
from runlog.core.header.questions import Doubts
from runlog.core.header.site import read_site


def index_of(*cards):
    """Make an index from (keyword, value[, comment]) triples."""
    return CardIndex([Card(*card) for card in cards])


def codes_of(doubts):
    """Give the codes of the questions asked so far."""
    return {question.code for question in doubts._asked.values()}


@pytest.mark.parametrize("separator", [":", " "])
@given(degrees=st.floats(-359.99, 359.99))
@settings(max_examples=100)
def test_sexagesimal_agrees_with_astropy(separator, degrees):
    """Guards the reading of signs, minutes and seconds, against astropy's Angle (1e-5 arcsec)."""
    text = AstropyAngle(degrees, "deg").to_string(sep=separator, precision=6, alwayssign=True)
    angle = parse_sexagesimal(text)
    assert angle.sexagesimal
    assert angle.value == pytest.approx(AstropyAngle(text, "deg").deg, abs=1e-9)
    assert angle.value == pytest.approx(degrees, abs=3e-9)


@given(degrees=st.floats(-89.99, 89.99))
@settings(max_examples=50)
def test_unit_letters_agree_with_astropy(degrees):
    """Guards "46d52m00s", as astropy writes it by default."""
    text = AstropyAngle(degrees, "deg").to_string(precision=6)
    assert parse_sexagesimal(text).value == pytest.approx(degrees, abs=3e-9)


@pytest.mark.parametrize(
    ("text", "value", "unit", "hemisphere"),
    [
        ("-00:55:31", -(55 / 60 + 31 / 3600), "", ""),
        ("+41 16 09", 41.2691666667, "", ""),
        (" 5h34m32.0s ", 5.5755555556, "h", ""),
        ("46°52'00\" N", 46.8666666667, "d", "N"),
        ("96 27 11.8 W", 96.4532777778, "", "W"),
        ("22 04.5", 22.075, "", ""),
        ("−12:30:00", -12.5, "", ""),
        ("10:00:60", 10.0166666667, "", ""),  # rounding carried to 60
        ("12.5 deg", 12.5, "d", ""),
        ("48.1 N", 48.1, "", "N"),
        ("5.5 h", 5.5, "h", ""),
        ("10,68", 10.68, "", ""),
    ],
)
def test_an_angle_is_read_as_written(text, value, unit, hemisphere):
    """Guards the sign of minus zero, units and hemispheres."""
    angle = parse_angle(text)
    assert angle.value == pytest.approx(value, abs=1e-9)
    assert (angle.unit, angle.hemisphere) == (unit, hemisphere)


@pytest.mark.parametrize("text", ["", "north", "12:60:00", "12:30:61", "1:2:3:4", "M 31", True])
def test_what_is_no_angle_is_not_made_one(text):
    """Guards against a made-up place from a broken card."""
    assert parse_angle(text) is None


@given(st.text(max_size=30))
def test_no_text_breaks_the_parser(text):
    """Guards against a card that stops a scan."""
    parse_angle(text)


M31 = (10.6847, 41.2691)  # degrees, J2000 (NASA/IPAC Extragalactic Database; from memory)


@pytest.mark.parametrize(
    "cards",
    [
        [("RA", "00:42:44.3"), ("DEC", "+41:16:09")],
        [("RA", "00 42 44.3"), ("DEC", "41 16 09")],
        [("OBJCTRA", "00 42 44.3"), ("OBJCTDEC", "+41 16 09")],
        [("RA", 10.6847, "[deg] right ascension"), ("DEC", 41.2691)],
        [("RA", "10.6847 deg"), ("DEC", "41.2691")],
        [("RA", 10.6847), ("DEC", 41.2691), ("OBJCTRA", "00 42 44"), ("OBJCTDEC", "+41 16 09")],
        [("RA", 0.712313, "[h] of the mount"), ("DEC", 41.2691)],
        [("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN"), ("CRVAL1", 10.6847), ("CRVAL2", 41.2691)],
        [("CTYPE2", "RA---TAN"), ("CTYPE1", "DEC--TAN"), ("CRVAL2", 10.6847), ("CRVAL1", 41.2691)],
        [("RA", 0.18648, "RA in radians: 0 42 44"), ("DEC", 0.72028, "Dec in Radians: 41 16 9")],
        [("RA", "0.18648 rad"), ("DEC", "0.72028 rad")],
        [("RA", "N/A"), ("DEC", "N/A"), ("TELRA", "00:42:44.3"), ("TELDEC", "41:16:09")],
    ],
)
def test_the_pointing_is_read_without_a_question(cards):
    """Guards every plain way of writing a place, to 10 arcsec."""
    doubts = Doubts()
    assert read_pointing(index_of(*cards), doubts) == pytest.approx(M31, abs=0.003)
    assert not codes_of(doubts)


@pytest.mark.parametrize(
    ("cards", "expected", "code"),
    [
        # hours settled by a second reading
        (
            [("RA", 0.712313), ("DEC", 41.2691), ("OBJCTRA", "00 42 44"), ("OBJCTDEC", "41 16 09")],
            M31,
            "ra-hours-or-degrees",
        ),
        (
            [
                ("RA", 16.69),
                ("DEC", 36.46),
                ("CTYPE1", "RA---TAN"),
                ("CTYPE2", "DEC--TAN"),
                ("CRVAL1", 250.42),
                ("CRVAL2", 36.46),
            ],
            (250.35, 36.46),
            "ra-hours-or-degrees",
        ),
        # nothing settles it: degrees, asked about
        ([("RA", 10.6847), ("DEC", 41.2691)], M31, "ra-hours-or-degrees"),
        ([("OBJCTRA", 0.712313), ("OBJCTDEC", 41.2691)], M31, "ra-hours-or-degrees"),
        # two readings that agree under no unit
        (
            [
                ("RA", "00:42:44"),
                ("DEC", "41:16:09"),
                ("OBJCTRA", "05 34 32"),
                ("OBJCTDEC", "22 0 0"),
            ],
            M31,
            "coordinates",
        ),
        ([("RA", 10.0), ("DEC", 95.0)], (None, None), "coordinates"),
        ([("RA", -5.0), ("DEC", 5.0)], (None, None), "coordinates"),
        ([("RA", 400.0), ("DEC", 5.0)], (None, None), "coordinates"),
        ([("RA", 0.0), ("DEC", 0.0)], (None, None), "coordinates"),  # no mount connected
    ],
)
def test_a_doubtful_pointing_is_asked_about(cards, expected, code):
    """Guards hours against degrees, conflicts, and places that do not exist."""
    doubts = Doubts()
    assert read_pointing(index_of(*cards), doubts) == pytest.approx(expected, abs=0.01)
    assert code in codes_of(doubts)


def test_the_nearer_reading_wins_close_to_zero_hours():
    """Guards small right ascensions, where both readings lie within a few degrees."""
    doubts = Doubts()
    cards = [("RA", 0.1), ("DEC", 10.0), ("OBJCTRA", "00 06 00"), ("OBJCTDEC", "+10 00 00")]
    assert read_pointing(index_of(*cards), doubts) == pytest.approx((1.5, 10.0))
    assert codes_of(doubts) == {"ra-hours-or-degrees"}


def test_right_ascensions_crowd_at_the_pole():
    """Guards against a conflict between two right ascensions a fraction of a degree apart."""
    doubts = Doubts()
    cards = [
        ("RA", "02:31:49"),
        ("DEC", "89:15:51"),
        ("OBJCTRA", "03 31 49"),
        ("OBJCTDEC", "89 0 0"),
    ]
    read_pointing(index_of(*cards), doubts)
    assert not codes_of(doubts)


FRAME = Shape(800, 600)


def wcs(ra_deg, dec_deg, *more):
    """Make the cards of a solved frame, 1.2 arcsec a pixel, its reference point in the middle."""
    return [
        ("CTYPE1", "RA---TAN"),
        ("CTYPE2", "DEC--TAN"),
        ("CRVAL1", ra_deg),
        ("CRVAL2", dec_deg),
        *(more or [("CRPIX1", 400.5), ("CRPIX2", 300.5)]),
        ("CDELT1", -1.2 / 3600),
        ("CDELT2", 1.2 / 3600),
    ]


def test_a_declination_is_held_against_the_world_coordinates():
    """Guards M 33 by its cards, 43 deg from the sky that its stars were solved for."""
    doubts = Doubts()
    cards = [("RA", "01:33:51"), ("DEC", 30.66), *wcs(23.46, -12.0)]
    assert read_pointing(index_of(*cards), doubts, FRAME) == pytest.approx((23.46, -12.0))
    (asked,) = doubts._asked.values()
    assert asked.code == "coordinates"
    assert asked.text.endswith("23.460, -12.000, 42.7 deg away; the second is believed")


def test_a_witness_that_was_not_solved_is_only_told():
    """Guards the cards' place where the other is a second pair, or a reference point alone."""
    mount = [("RA", "01:33:51"), ("DEC", 30.66)]
    plain = wcs(23.46, -12.0)[:4]
    for other in (plain, [("OBJCTRA", "01 33 51"), ("OBJCTDEC", "-12 00 00")]):
        doubts = Doubts()
        found = read_pointing(index_of(*mount, *other), doubts, FRAME)
        assert found == pytest.approx((23.4625, 30.66))
        assert [question.text[-21:] for question in doubts._asked.values()] == [
            "the first is believed"
        ]


def test_a_part_of_a_wide_mosaic_is_no_contradiction():
    """Guards cards of the mosaic's centre beside a reference point there, outside the part."""
    beside = wcs(23.4625, 30.66, ("CRPIX1", 4400.0), ("CRPIX2", 3100.0))
    doubts = Doubts()
    cards = index_of(("RA", "01:33:51"), ("DEC", 30.66), *beside)
    assert read_pointing(cards, doubts, FRAME) == pytest.approx((23.4625, 30.66))
    assert not codes_of(doubts)


def test_hours_are_settled_by_the_whole_separation():
    """Guards a reading that fits in right ascension alone."""
    doubts = Doubts()
    cards = index_of(("RA", 5.575), ("DEC", 22.01), *wcs(83.6, 22.0))
    assert read_pointing(cards, doubts, FRAME) == pytest.approx((83.625, 22.01))
    assert codes_of(doubts) == {"ra-hours-or-degrees"}


def test_radians_are_no_hours():
    """Guards cards that say radians, of 1950, beside world coordinates (a survey's own cards)."""
    cards = [
        ("RA", 0.0512603201, "RA  in radians :   0 11 44.88"),
        ("DEC", -0.5680338887, "Dec in radians : -32 32 45.4"),
        *wcs(3.567741154218, -32.26781877153),
    ]
    doubts = Doubts()
    found = read_pointing(index_of(*cards), doubts, FRAME)
    assert found == pytest.approx((2.937, -32.546), abs=0.001)
    assert not codes_of(doubts)


def test_more_than_24_can_only_be_degrees():
    """Guards against a needless question where a number is beyond 24 h."""
    doubts = Doubts()
    assert read_pointing(index_of(("RA", 250.42), ("DEC", 36.46)), doubts) == (250.42, 36.46)
    assert read_pointing(index_of(("RA", 360.0), ("DEC", 36.46)), doubts) == (0.0, 36.46)
    assert not codes_of(doubts)


def test_half_a_pair_is_no_pointing():
    """Guards against joining a right ascension and a declination of two different things."""
    cards = [("RA", 250.42), ("OBJCTRA", "00 42 44.3"), ("OBJCTDEC", "+41 16 09")]
    assert read_pointing(index_of(*cards), Doubts()) == pytest.approx(M31, abs=0.003)


@pytest.mark.parametrize(
    ("cards", "latitude", "longitude"),
    [
        ([("SITELAT", "+46:52:00"), ("SITELONG", "-96:27:11")], 46.866667, -96.453056),
        ([("SITELAT", "46 52 00"), ("SITELONG", "-96 27 11")], 46.866667, -96.453056),
        ([("LAT-OBS", 46.866667), ("LONG-OBS", 263.546944)], 46.866667, -96.453056),
        ([("OBSGEO-B", 46.866667), ("OBSGEO-L", -96.453056)], 46.866667, -96.453056),
        ([("LATITUDE", "46 52 00 N"), ("LONGITUD", "96 27 11 W")], 46.866667, -96.453056),
        ([("LATITUDE", "33 30 00 S"), ("LONGITUD", "70 30 00 W")], -33.5, -70.5),
        ([("SITELAT", 46.866667), ("SITELONG", 96.453056, "[deg] west")], 46.866667, -96.453056),
        ([("SITELAT", 48.2), ("SITELONG", -16.4, "degrees, west positive")], 48.2, 16.4),
        ([("SITELAT", 48.2), ("SITELONG", 16.4, "degrees, west negative")], 48.2, 16.4),
        ([("SITELAT", 46.9), ("SITELONG", -96.5, "[degrees east]")], 46.9, -96.5),
        ([("SITELAT", 48.2), ("SITELONG", "N/A"), ("LONG-OBS", "16.4 E")], 48.2, 16.4),
    ],
)
def test_the_site_is_read_east_positive(cards, latitude, longitude):
    """Guards the sign of the longitude and 0 to 360 degrees (OBSGEO-B, -L: FITS Standard 4.0)."""
    doubts = Doubts()
    site = read_site(index_of(*cards), doubts)
    assert site.latitude_deg == pytest.approx(latitude, abs=1e-5)
    assert site.longitude_deg == pytest.approx(longitude, abs=1e-5)
    assert not codes_of(doubts)


@pytest.mark.parametrize(
    "cards",
    [
        [("SITELAT", 95.0)],
        [("SITELONG", 400.0)],
        [("SITELAT", 0.0), ("SITELONG", 0.0)],
        [("SITEELEV", 90000.0)],
    ],
)
def test_a_site_that_cannot_be_is_asked_about(cards):
    """Guards nights and moonlight from being reckoned for a place that does not exist."""
    doubts = Doubts()
    assert read_site(index_of(*cards), doubts) == (None, None, None)
    assert codes_of(doubts) == {"site"}


def test_altitude_is_the_sites_only_in_metres():
    """Guards the telescope's altitude in degrees from becoming the site's height."""
    doubts = Doubts()
    assert (
        read_site(index_of(("ALTITUDE", 311.8, "[meters] of the site")), doubts).elevation_m
        == 311.8
    )
    assert (
        read_site(index_of(("ALTITUDE", 54.2, "[deg] of the telescope")), doubts).elevation_m
        is None
    )
    feet = index_of(("SITEELEV", 1000.0, "[ft] above sea level"))
    assert read_site(feet, doubts).elevation_m == pytest.approx(304.8)  # 0.3048 m, by definition
