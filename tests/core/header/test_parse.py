"""Whole headers, in several dialects, real ones, and any cards at all."""

import pickle
import string
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import astropy
import ccdproc
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import Card, FrameHeader, Kind, Shape, Stage
from runlog.core.header.cards import CardIndex, clean, parse_number
from runlog.core.header.keywords import ALIASES, squeeze
from runlog.core.header.parse import HeaderRules, parse_header
from runlog.core.header.questions import CODES

MONO = Shape(6000, 4000)
EMPTY = FrameHeader(kind=Kind.LIGHT, kind_from="")


def header_of(cards, shape=MONO, path=(), rules=None):
    """Parse a dict of keyword to value, or to (value, comment)."""
    made = [Card(k, *v) if isinstance(v, tuple) else Card(k, v) for k, v in cards.items()]
    return parse_header(made, shape, path, rules or HeaderRules())


def codes_of(header):
    """Give the codes of a header's questions."""
    return {question.code for question in header.questions}


def told(header):
    """Give the values a header speaks for, the kind, the stage and the questions aside."""
    aside = {"kind", "kind_from", "stage", "questions"}
    names = [f.name for f in fields(FrameHeader) if f.name not in aside]
    return {
        name: getattr(header, name)
        for name in names
        if getattr(header, name) != getattr(EMPTY, name)
    }


# --- dialects: the same night written four ways, all made up here ---------------------------------

# Keywords and conventions of SBFITSEXT 1.0.
EXTENDED = {
    "SIMPLE": True, "BITPIX": 16, "NAXIS": 2, "NAXIS1": 6000, "NAXIS2": 4000, "BZERO": 32768,
    "IMAGETYP": "Light Frame", "DATE-OBS": ("2024-03-12T22:15:33.120", "UTC, start of exposure"),
    "EXPTIME": (300.0, "Exposure time in seconds"), "EXPOSURE": 300.0,
    "SET-TEMP": -10.0, "CCD-TEMP": (-10.1, "CCD temperature at start of exposure in C"),
    "XPIXSZ": (7.52, "Pixel width in microns (after binning)"), "YPIXSZ": 7.52,
    "XBINNING": 2, "YBINNING": 2, "EGAIN": (0.78, "Electronic gain in e-/ADU"), "GAIN": 100,
    "OFFSET": 50, "FILTER": "Red     ", "READOUTM": "Low noise", "FOCALLEN": 480.0, "APTDIA": 80.0,
    "OBJECT": "M 31", "OBJCTRA": "00 42 44", "OBJCTDEC": "+41 16 09", "SITELAT": "+48 12 30",
    "SITELONG": "+16 22 20", "AIRMASS": 1.21, "PIERSIDE": "WEST", "INSTRUME": "mono camera",
    "TELESCOP": "refractor", "SWCREATE": "capture", "PEDESTAL": -100, "SATURATE": 65535,
    "FOCUSPOS": 12345, "FOCUSTEM": 4.5, "AOCAMBT": 3.2, "ROTATANG": 91.5, "POSANGLE": 180.2,
}  # fmt: skip

# Observatory style: NOAO FITS Keyword Dictionary 1.0.
OBSERVATORY = {
    "OBSTYPE": "object", "DATE-OBS": ("12/03/2024", "UT date"), "UT": "22:15:33.120",
    "EXPTIME": 300.0, "DARKTIME": 301.2, "CCDSUM": "2 2", "PIXSIZE1": 3.76,
    "GAIN": (0.78, "gain, e-/ADU"), "RDNOISE": 1.5, "DETECTOR": "mono camera", "FILTERS": 48,
    "FILTID": "red", "RA": "00:42:44", "DEC": "+41:16:09", "AIRMASS": 1.21, "OBJECT": "M 31",
    "CAMTEMP": (263.05, "[K]"), "TELESCOP": "refractor", "TELFOCUS": 12345,
}  # fmt: skip

# Numbers as text, units in the values, long and hierarchical keywords.
CHATTY = {
    "HIERARCH FRAME TYPE": "LIGHT", "IMAGETYPE": "LIGHT", "DATE-LOC": "2024-03-12T23:15:33.120",
    "DATE-OBS": "2024-03-12T22:15:33.120Z", "EXPOSURE": "300s", "CCD TEMP": "-10.1 C",
    "HIERARCH SET TEMP": "-10,0 C", "BINNING": "2x2", "GAIN": "100", "OFFSET": "50",
    "E-GAIN": "0.78 e/ADU", "FILTER": "'2-Red'", "FOCALLENGTH": "480 mm", "PIXSIZE": "3.76 um",
    "RA": "0.712222 h", "DEC": "41.269167 deg", "OBJECT": " M 31 ", "CAMERA": "mono camera",
    "LATITUDE": "48 12 30 N", "LONGITUDE": "16 22 20 E", "SIDEOFPIER": "pierWest",
    "FOCUS POSITION": "12345", "TELESCOPE": "refractor", "AIRMASS": "N/A",
}  # fmt: skip

# Little more than FITS Standard 4.0 itself.
STANDARD = {
    "DATE-BEG": "2024-03-12T22:16:42.304", "TIMESYS": "TT", "XPOSURE": 300.0,
    "INSTRUME": "mono camera", "TELESCOP": "refractor", "OBJECT": "M 31", "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN", "CRVAL1": 10.683333, "CRVAL2": 41.269167, "OBSGEO-B": 48.208333,
    "OBSGEO-L": 16.372222, "OBSGEO-H": 180.0, "FILTER": "R",
}  # fmt: skip

START = datetime(2024, 3, 12, 22, 15, 33, 120000, tzinfo=UTC)


@pytest.mark.parametrize("cards", [EXTENDED, OBSERVATORY, CHATTY, STANDARD])
def test_the_same_exposure_in_four_dialects(cards):
    """Guards that an exposure is one and the same in whatever words its header is written."""
    header = header_of(cards)
    assert header.kind is Kind.LIGHT
    assert header.taken_at_utc == START
    assert header.exposure_s == 300.0
    assert header.filter == "R"
    assert (header.camera, header.telescope, header.target) == ("mono camera", "refractor", "M 31")
    assert header.ra_deg == pytest.approx(10.683333, abs=1e-4)
    assert header.dec_deg == pytest.approx(41.269167, abs=1e-4)
    assert codes_of(header) == set()


def test_every_value_of_a_full_header():
    """Guards each field, its unit and its keyword, in one header of SBFITSEXT 1.0 keywords."""
    header = header_of(EXTENDED, path=("M31", "M31_Light_Red_0001.fits"))
    assert told(header) == pytest.approx(
        {
            "taken_at_utc": START, "time_from": "DATE-OBS", "exposure_s": 300.0, "filter": "R",
            "filter_raw": "Red", "target": "M 31", "camera": "mono camera",
            "telescope": "refractor", "focal_mm": 480.0, "aperture_mm": 80.0, "pixel_um": 3.76,
            "binning_x": 2, "binning_y": 2, "gain": 100.0, "egain_e_adu": 0.78, "offset": 50.0,
            "readout_mode": "Low noise", "sensor_c": -10.1, "set_c": -10.0,
            "focus_pos": 12345.0, "focus_c": 4.5, "ambient_c": 3.2, "ra_deg": 10.683333,
            "dec_deg": 41.269167, "latitude_deg": 48.208333, "longitude_deg": 16.372222,
            "pier_side": "west", "rotator_deg": 91.5, "sky_angle_deg": 180.2, "airmass": 1.21,
            "pedestal_adu": 100.0, "saturation_adu": 65535.0, "software": "capture",
            "arcsec_per_px": 206.264806 * 3.76 * 2 / 480.0,
        },
        rel=1e-6,
    )  # fmt: skip
    assert (header.kind, header.kind_from, header.stage) == (Kind.LIGHT, "header", Stage.RAW)


def test_a_chatty_header_in_numbers():
    """Guards numbers written as text, with units, decimal commas and hierarchical keywords."""
    header = header_of(CHATTY)
    assert (header.binning_x, header.binning_y, header.gain, header.egain_e_adu) == (
        2,
        2,
        100,
        0.78,
    )
    assert (header.sensor_c, header.set_c, header.focal_mm, header.pixel_um) == (
        -10.1,
        -10,
        480,
        3.76,
    )
    assert (header.focus_pos, header.pier_side, header.airmass) == (12345, "west", None)
    assert header.longitude_deg == pytest.approx(16.372222, abs=1e-6)


def test_an_observatory_header_in_numbers():
    """Guards the NOAO dictionary's meanings: gain in e/ADU, unbinned pixel, kelvin."""
    header = header_of(OBSERVATORY)
    assert (header.gain, header.egain_e_adu, header.read_noise_e) == (None, 0.78, 1.5)
    assert (header.binning_x, header.pixel_um, header.focus_pos) == (2, 3.76, 12345)
    assert header.sensor_c == pytest.approx(-10.1)
    assert header.time_from == "DATE-OBS + UT"


# --- rules ----------------------------------------------------------------------------------------


def test_the_settings_add_filters_and_keywords():
    """Guards the extension by config: its keywords come first, its names win."""
    rules = HeaderRules(
        filter_names={"narrow 1": "Ha 3nm"},
        aliases={"filter": ("WHEEL-1",), "ra": ("MYRA",), "dec": ("MYDEC",)},
    )
    cards = {"FILTER": "L", "WHEEL-1": "Narrow_1", "MYRA": "05:34:32", "MYDEC": "22:00:52"}
    header = header_of(cards | {"RA": 10.0, "DEC": 10.0}, rules=rules)
    assert (header.filter, header.filter_raw) == ("Ha 3nm", "Narrow_1")
    assert header.ra_deg == pytest.approx(83.633333)
    assert pickle.loads(pickle.dumps(rules)) == rules


def test_folders_never_tell_filter_or_target():
    """Guards against a filter or target made up from a folder's name."""
    header = header_of({}, path=("M 42", "Ha", "Light_300s_0001.fits"))
    assert (header.kind, header.kind_from) == (Kind.LIGHT, "file name")
    assert (header.filter, header.target) == (None, None)


def test_the_first_card_that_says_something_counts():
    """Guards repeated keywords: empty ones are passed over, later ones do not overrule."""
    cards = [
        Card("FILTER", ""), Card("FILTER", " Ha "), Card("FILTER", "L"),
        Card("OBJECT", None), Card("OBJECT", "N/A"), Card("OBJNAME", "NGC 7000"),
    ]  # fmt: skip
    header = parse_header(cards, MONO)
    assert (header.filter, header.target) == ("Ha", "NGC 7000")


def test_an_empty_filter_position_gives_way_to_the_second_wheel():
    """Guards two filter wheels in a row, the first of them on an empty slot."""
    header = header_of({"FILTER1": "none", "FILTER2": "OIII"})
    assert (header.filter, header.filter_raw) == ("OIII", "OIII")


@pytest.mark.parametrize(
    ("cards", "shape", "asked"),
    [
        ({}, MONO, True),
        ({"FILTER": "Unknown"}, MONO, True),
        ({"FILTER": 3}, MONO, True),
        ({"FILTER": "No filter"}, MONO, False),
        ({"FILTER": "Clear"}, MONO, False),
        ({"BAYERPAT": "RGGB"}, MONO, False),
        ({}, Shape(6000, 4000, 3), False),
        ({"IMAGETYP": "DARK"}, MONO, False),
    ],
)
def test_a_missing_filter_is_asked_about_only_where_it_matters(cards, shape, asked):
    """Guards colour cameras and darks from a needless question."""
    assert ("filter-unknown" in codes_of(header_of(cards, shape))) is asked


@pytest.mark.parametrize(
    ("kind", "exposure", "exposure_s", "code"),
    [
        ("LIGHT", 0.0, None, "exposure"),
        ("LIGHT", None, None, "exposure"),
        ("LIGHT", -5.0, None, "exposure"),
        ("DARK", 0.0, None, "exposure"),
        ("BIAS", 0.0, 0.0, None),
        ("BIAS", None, None, None),
        ("LIGHT", 0.1, 0.1, "exposure-very-short"),
        ("FLAT", 0.1, 0.1, None),
    ],
)
def test_only_a_bias_takes_no_time(kind, exposure, exposure_s, code):
    """Guards totals and matching from zero, negative and missing lengths."""
    header = header_of({"IMAGETYP": kind, "EXPTIME": exposure})
    assert header.exposure_s == exposure_s
    assert codes_of(header) & {"exposure", "exposure-very-short"} == ({code} if code else set())


def test_a_stack_says_how_many_went_in():
    """Guards a stack from the totals and keeps its count."""
    header = header_of({"IMAGETYP": "Light", "EXPTIME": 300.0, "SNAPSHOT": 24, "FILTER": "L"})
    assert (header.kind, header.combined) == (Kind.STACK, 24)


# --- real headers ---------------------------------------------------------------------------------

CCDPROC = Path(ccdproc.__file__).parent / "tests" / "data"
M13 = Path(astropy.__file__).parent / "io" / "fits" / "hdu" / "compressed" / "tests" / "data"


def real(path, hdu=0):
    """Parse the header of a file of the ccdproc or astropy wheel."""
    with fits.open(path) as file:
        header = file[hdu].header
        cards = [
            Card(
                c.keyword, None if isinstance(c.value, fits.card.Undefined) else c.value, c.comment
            )
            for c in header.cards
        ]
        shape = Shape(header["NAXIS1"], header["NAXIS2"], 1, header["BITPIX"])
    return parse_header(cards, shape, path.parts)


def test_the_observatory_frame_of_ccdproc():
    """Guards date + UT against a whole-day MJD-OBS, e/ADU in GAIN, and kelvin in CCD-TEMP.

    The expected values are the header's own, read by eye.
    """
    header = real(CCDPROC / "a8280271.fits")
    assert (header.kind, header.kind_from, header.stage) == (Kind.LIGHT, "header", Stage.RAW)
    assert header.taken_at_utc == datetime(2013, 7, 13, 0, 57, 33, tzinfo=UTC)
    assert header.time_from == "DATE-OBS + UT"
    assert (header.exposure_s, header.target) == (150.04, "rf0420")
    assert (header.gain, header.egain_e_adu, header.read_noise_e) == (None, 1.9, 5.0)
    assert header.sensor_c == pytest.approx(180.2 - 273.15)
    assert header.ra_deg == pytest.approx(331.0334, abs=1e-4)  # its own RA_OBS, in degrees
    assert header.dec_deg == pytest.approx(-0.9253, abs=1e-4)  # its own DEC_OBS
    assert header.airmass == 1.176  # SECZ
    assert codes_of(header) == {"filter-unknown", "temperature-kelvin"}


def test_the_amateur_frame_of_ccdproc():
    """Guards SBFITSEXT 1.0 keywords as written in the field, focal length 0 included."""
    header = real(CCDPROC / "sip-wcs.fit")
    assert header.kind is Kind.LIGHT
    assert header.taken_at_utc == datetime(2011, 9, 1, 2, 9, 5, tzinfo=UTC)
    assert (header.exposure_s, header.filter, header.pixel_um) == (120.0, "B", 9.0)
    assert (header.focal_mm, header.aperture_mm) == (None, None)
    assert header.set_c == pytest.approx(-18.9)
    assert header.ra_deg == pytest.approx(280.546108, abs=2e-6)  # by astropy.wcs
    assert header.latitude_deg == pytest.approx(46.86678, abs=1e-5)  # +46:52:00.408
    assert header.longitude_deg == pytest.approx(-96.453278, abs=1e-6)  # -96:27:11.8008, east
    assert header.elevation_m == pytest.approx(311.8)  # ALTITUDE, "[meters]"
    assert codes_of(header) == {"focal-length"}


def test_a_frame_of_1928_is_asked_about():
    """Guards the question about a date before digital cameras, on ccdproc's own test frame."""
    header = real(CCDPROC / "flat-mef.fits", hdu=1)
    assert (header.kind, header.filter) == (Kind.FLAT, "B")
    assert header.taken_at_utc == datetime(1928, 7, 23, 21, 3, 27, tzinfo=UTC)
    assert codes_of(header) == {"date-before-1990", "exposure"}


@pytest.mark.parametrize(
    ("name", "hdu"), [("m13.fits", 0), ("m13_rice.fits", 1), ("m13_gzip.fits", 1)]
)
def test_the_survey_frame_of_astropy(name, hdu):
    """Guards a header with nothing but coordinates: no value made up, whatever the compression."""
    header = real(M13 / name, hdu)
    scale = header.arcsec_per_px
    # CDELT1 = -0.0002777 degrees; the file's name is the target's.
    assert scale == pytest.approx(0.99972, abs=1e-5)
    assert told(header) == {
        "ra_deg": 250.4226, "dec_deg": 36.4602, "target": "m13", "arcsec_per_px": scale,
    }  # fmt: skip
    assert header.kind_from == "assumed: nothing says otherwise"
    unsure = {"date-missing", "exposure", "filter-unknown", "target-from-name"}
    assert codes_of(header) == unsure


# --- any cards at all -----------------------------------------------------------------------------

KEYWORDS = sorted(
    {word for words in ALIASES.values() for word in words} | {"CTYPE1", "CRVAL1", "RA"}
)
PLAUSIBLE = [
    "2024-03-12T22:15:33",
    "22:15:33",
    "12/03/24",
    "TT",
    "LIGHT",
    "Master Dark",
    "2x2",
    "RGGB",
    "N/A",
    "300s",
    "-10 C",
    "+41 16 09",
    "00 42 44",
    "1e400",
    "-0",
    "East",
    "Ha 3nm",
    "RA---TAN",
    "1/0",
]
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.sampled_from([10**400, -(10**400), 0, 1, 60381, 2460381.5, 1e300]),
    st.text(string.printable, max_size=30),
    st.text(max_size=15),
    st.sampled_from(PLAUSIBLE),
)
CARDS = st.builds(
    Card,
    st.one_of(st.sampled_from(KEYWORDS), st.text(max_size=10)),
    VALUES,
    st.one_of(
        st.text(max_size=15), st.sampled_from(["[K]", "[ms]", "local", "mid", "end", "e/ADU"])
    ),
)


@given(
    st.lists(CARDS, max_size=40),
    st.lists(st.text(max_size=20), max_size=5),
    st.integers(1, 4),
    st.sampled_from([8, 16, 32, -32]),
)
@settings(max_examples=100)
def test_no_header_breaks_the_parser(cards, path, planes, bitpix):
    """Guards a scan from any header: nothing raises, and every value is possible or None."""
    header = parse_header(cards, Shape(100, 100, planes, bitpix), path)
    assert header.taken_at_utc is None or header.taken_at_utc.tzinfo is UTC
    assert header.exposure_s is None or 0 <= header.exposure_s <= 86400
    assert header.ra_deg is None or 0 <= header.ra_deg < 360
    assert header.dec_deg is None or -90 <= header.dec_deg <= 90
    assert header.longitude_deg is None or -180 <= header.longitude_deg <= 180
    assert header.airmass is None or header.airmass >= 1
    assert header.binning_x >= 1
    assert codes_of(header) <= set(CODES)
    assert parse_header(cards, Shape(100, 100, planes, bitpix), path) == header


@pytest.mark.parametrize("keyword", KEYWORDS)
def test_every_known_keyword_survives_nonsense(keyword):
    """Guards each reader on its own against each odd value."""
    for value in [*PLAUSIBLE, None, True, 10**400, float("nan"), float("inf"), -1, 0, "", "'", "∞"]:
        parse_header([Card(keyword, value)], MONO)


# --- keywords and values --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keyword", "squeezed"),
    [
        ("CCD-TEMP", "CCDTEMP"),
        ("ccd_temp", "CCDTEMP"),
        ("HIERARCH CCD Temp", "CCDTEMP"),
        (" RA ", "RA"),
    ],
)
def test_keywords_are_compared_squeezed(keyword, squeezed):
    """Guards case, signs, spaces and HIERARCH in keywords."""
    assert squeeze(keyword) == squeezed


def test_no_keyword_speaks_for_two_values():
    """Guards against one card being read as two different things."""
    words = [word for listed in ALIASES.values() for word in listed]
    assert len(words) == len(set(words))


@pytest.mark.parametrize(
    ("value", "expected"),
    [("  Ha  ", "Ha"), ("'Ha'", "Ha"), ('" Ha "', "Ha"), ("N/A", None), ("", None), ("  ", None),
     (float("nan"), None), (0, 0), (False, False), ("it's", "it's")],
)  # fmt: skip
def test_values_are_cleaned(value, expected):
    """Guards padding, quotes and the many ways of saying nothing."""
    assert clean(value) == expected


@pytest.mark.parametrize(
    ("value", "number", "unit"),
    [
        ("-10 C", -10.0, "C"),
        ("300s", 300.0, "s"),
        ("1.5D2", 150.0, ""),
        ("2,5", 2.5, ""),
        (".5", 0.5, ""),
        (7, 7.0, ""),
        ("+3.", 3.0, ""),
    ],
)
def test_numbers_are_read_with_their_unit(value, number, unit):
    """Guards numbers as people and Fortran write them (D exponent: FITS Standard 4.0, 4.2.4)."""
    assert parse_number(value) == (number, unit)


def test_remarks_are_kept_apart():
    """Guards HISTORY and COMMENT from being looked up as values."""
    index = CardIndex([Card("HISTORY", "dark subtracted"), Card("COMMENT", None), Card("", "x")])
    assert index.remarks == "dark subtracted\n\nx"


@pytest.mark.parametrize("value", ["12.5", 12.5])
def test_keywords_of_the_settings_are_looked_at_first(value):
    """Guards what a person adds in the config: their keyword leads, the known ones stay behind."""
    rules = HeaderRules(aliases={"exposure": ("MYEXP",), "target": ("FIELD",)})
    cards = {"EXPTIME": 300.0, "MYEXP": value, "OBJECT": "M 31", "FIELD": "M 33"}
    told = header_of(cards, rules=rules)
    assert (told.exposure_s, told.target) == (12.5, "M 33")
    behind = header_of({"EXPTIME": 300.0, "OBJECT": "M 31"}, rules=rules)
    assert (behind.exposure_s, behind.target) == (300.0, "M 31")
    assert header_of(cards).exposure_s == 300.0
