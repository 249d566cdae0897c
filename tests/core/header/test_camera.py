"""Camera and optics values: units, ranges, and what a keyword means.

Common practice, no source, unless a test names one.
"""

import pytest
from astropy import units
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Card, Shape
from runlog.core.header import camera, levels, optics
from runlog.core.header.cards import CardIndex
from runlog.core.header.exposure import read_exposure
from runlog.core.header.questions import Doubts


def read(function, *cards, args=(), index_first=True):
    """Call a reader on (keyword, value[, comment]) triples; give its value and the codes asked."""
    doubts = Doubts()
    value = function(CardIndex([Card(*card) for card in cards]), *args, doubts)
    return value, {question.code for question in doubts._asked.values()}


@pytest.mark.parametrize(
    "unit", ["s", "ms", "us", "µs", "min", "h", "hr", "second", "minute", "hour", "microsecond"]
)
def test_units_of_time_are_those_of_another_library(unit):
    """Guards the factor of each unit (astropy.units), in brackets and behind the number."""
    seconds = (1 * units.Unit(unit)).to_value("s")
    for card in (("EXPTIME", 90.0 / seconds, f"[{unit}]"), ("EXPTIME", f"{90.0 / seconds} {unit}")):
        (found, _), codes = read(read_exposure, card)
        assert found == pytest.approx(90.0)
        assert not codes


@pytest.mark.parametrize(
    ("cards", "seconds"),
    [
        ([("EXPTIME", 9e7, "exposure in usec")], 90.0),
        ([("EXPTIME", 9e7, "exposure, microsec")], 90.0),
        ([("EXPTIME", 9e7, "microseconds open")], 90.0),
        ([("EXPTIME", 300.0)], 300.0),
        ([("EXPTIME", "300.0")], 300.0),
        ([("EXPOSURE", "300s")], 300.0),
        ([("EXP_TIME", "300,5 sec")], 300.5),
        ([("exptime", "  3.0E2 ")], 300.0),
        ([("XPOSURE", 299.9)], 299.9),  # FITS Standard 4.0, section 9.7
        ([("EXPOSURE", 2500, "[ms] exposure time")], 2.5),
        ([("EXPOSURE", "2500 ms")], 2.5),
        ([("EXPOSURE", 2500, "exposure in milliseconds")], 2.5),
        ([("EXPOINUS", 2500000)], 2.5),
        ([("EXPTIME", 300.0, "5 minutes asked of us")], 300.0),
        ([("EXPTIME", "5 min")], 300.0),
        ([("EXPTIME", "1/250")], 0.004),
        ([("EXPTIME", "N/A"), ("EXPOSURE", 60.0)], 60.0),
        ([("EXPTIME", 300.0), ("EXPOSURE", 300000)], 300.0),  # the second in milliseconds
        ([("EXPTIME", 300.0), ("EXPOSURE", 300.04)], 300.0),
        ([("EXPTIME", 71.0), ("EXPREQ", 300.0)], 71.0),  # asked for and got, NOAO dictionary 1.0
        ([("EXPTIME", 0.0)], 0.0),
        ([("EXPTIME", 0.0), ("EXPOSURE", 18194.2)], 18194.2),  # zero says nothing
        ([("EXPTIME", 18194.2), ("EXPOSURE", 0.0)], 18194.2),
        ([("EXPTIME", 0.0), ("EXPREQ", 300.0)], 0.0),  # asked for and never begun
        ([("EXPREQ", 300.0)], 300.0),
        ([], None),
        # units in words
        ([("EXPOSURE", 4.0, "Exposure time minutes")], 240.0),  # a survey of plates
        ([("EXPTIME", 0.0), ("EXPOSURE", 4.0, "Exposure time minutes")], 240.0),
        ([("EXPTIME", 5.0, "exposure time (min)")], 300.0),
        ([("EXPTIME", 5.0, "[min.] exposure time")], 300.0),
        ([("EXPTIME", 5.0, "exposure, in min")], 300.0),
        ([("EXPTIME", 5.0, "Minutes")], 300.0),
        ([("EXPTIME", 0.5, "total exposure in hours")], 1800.0),
        ([("EXPTIME", 0.5, "Exposure time (hours)")], 1800.0),
        ([("EXPTIME", "0.5 h")], 1800.0),
        ([("EXPTIME", 300.0, "exposure seconds")], 300.0),
        ([("EXPTIME", 300.0), ("EXPOSURE", 5.0, "minutes")], 300.0),
        # no units, though the words are there
        ([("EXPTIME", 300.0, "Total exposure (1 min bins)")], 300.0),
        ([("EXPTIME", 300.0, "exposure in H-alpha")], 300.0),
        ([("EXPTIME", 300.0, "exposure in min gain mode")], 300.0),
        ([("EXPTIME", 300.0, "min exposure of the series")], 300.0),
        ([("EXPTIME", 300.0, "exposure, min and max are alike")], 300.0),
        ([("EXPTIME", 300.0, "begun minutes after twilight")], 300.0),
        ([("EXPTIME", 300.0, "exposure, dithered every 5 minutes")], 300.0),
        ([("EXPTIME", 300.0, "one of a 2-hours series")], 300.0),
        ([("EXPTIME", 300.0, "seconds, not minutes")], 300.0),
        ([("EXPTIME", 300.0, "[s] of the 10 in minutes")], 300.0),
    ],
)
def test_the_exposure_is_read_in_seconds(cards, seconds):
    """Guards units and spellings of the exposure time."""
    exposure, codes = read(read_exposure, *cards)
    assert exposure == (pytest.approx(seconds) if seconds else seconds, None)
    assert not codes


@pytest.mark.parametrize(
    ("cards", "seconds", "code"),
    [
        ([("EXPTIME", -1.0)], None, "exposure"),
        ([("EXPTIME", 1e7)], None, "exposure"),
        ([("EXPTIME", -1.0), ("EXPOSURE", 60.0)], 60.0, "exposure"),
        ([("EXPTIME", 300.0), ("EXPOSURE", 71.0)], 300.0, "exposure-disagrees"),
        ([("EXPTIME", 60000.0), ("EXPOSURE", 60.0)], 60.0, "exposure-disagrees"),
    ],
)
def test_a_doubtful_exposure_is_asked_about(cards, seconds, code):
    """Guards negative, absurd and contradictory lengths."""
    exposure, codes = read(read_exposure, *cards)
    assert exposure.seconds == seconds
    assert codes == {code}


@pytest.mark.parametrize(
    ("cards", "sum_of"),
    [
        ([("EXPTIME", 6000.0), ("EXPOSURE", 300.0)], 20),
        ([("EXPTIME", 300.0), ("TOTALEXP", 6000.0)], 20),
        ([("EXPTIME", 300.0), ("TOTALEXP", 300.0)], None),
        ([("EXPTIME", 300.0), ("TOTALEXP", 300000.0)], None),  # milliseconds
        ([("EXPTIME", 300.0), ("EXPOSURE", 5.0)], None),  # 60: minutes against seconds
        ([("EXPTIME", 2.0), ("EXPOSURE", 1.0)], None),
        ([("EXPTIME", 1e-250), ("TOTALEXP", 1e100)], None),
    ],
)
def test_a_sum_of_exposures_shows(cards, sum_of):
    """Guards stacks whose only trace is a total beside a single length."""
    assert read(read_exposure, *cards)[0].sum_of == sum_of


@pytest.mark.parametrize(
    ("card", "celsius"),
    [
        (("CCD-TEMP", -10.0), -10.0),
        (("CCDTEMP", "-10.0 C"), -10.0),
        (("DET-TEMP", "-10,5"), -10.5),
        (("CAM-TEMP", "263.15 K"), -10.0),
        (("CCD-TEMP", 263.15, "[K] sensor"), -10.0),
        (("CCD-TEMP", 263.15, "sensor temperature in Kelvin"), -10.0),
        (("TEMPERAT", "14 F"), -10.0),
    ],
)
def test_a_temperature_is_read_in_celsius(card, celsius):
    """Guards units of temperature: 0 C is 273.15 K and 32 F (SI brochure)."""
    value, codes = read(camera.read_temperature_c, card, args=("sensor_temperature",))
    assert value == pytest.approx(celsius)
    assert not codes


@pytest.mark.parametrize(
    ("value", "celsius", "code"),
    [
        (-999.0, None, "temperature"),
        (-273.15, None, "temperature"),
        (100.0, None, "temperature"),
        (253.0, -20.15, "temperature-kelvin"),
    ],
)
def test_an_impossible_temperature_is_asked_about(value, celsius, code):
    """Guards baselines and dark matching from a temperature nobody measured."""
    found, codes = read(
        camera.read_temperature_c, ("CCD-TEMP", value), args=("sensor_temperature",)
    )
    assert found == (None if celsius is None else pytest.approx(celsius))
    assert codes == {code}


@pytest.mark.parametrize(
    ("cards", "setting", "e_adu", "codes"),
    [
        ([("GAIN", 100)], 100.0, None, set()),
        ([("GAIN", 100), ("EGAIN", 0.27)], 100.0, 0.27, set()),  # EGAIN: SBFITSEXT 1.0
        ([("GAIN", "100"), ("EGAIN", "0.27 e-/ADU")], 100.0, 0.27, set()),
        ([("GAIN", 0)], 0.0, None, set()),
        ([("ISOSPEED", 800)], 800.0, None, set()),
        ([("GAIN", 1.9, "e-/ADU")], None, 1.9, set()),  # NOAO dictionary 1.0
        ([("GAIN", 2, "[electron/adu] gain")], None, 2.0, set()),
        ([("GAIN", 1.5, "electrons per ADU"), ("EGAIN", 1.5)], None, 1.5, set()),
        ([("GAIN", 0.27), ("EGAIN", 0.27)], None, 0.27, set()),
        ([("GAIN", 1), ("EGAIN", 1.0)], 1.0, 1.0, set()),
        ([("GAIN", 12.5)], 12.5, None, set()),
        ([("GAIN", 120, "value/ADU table")], 120.0, None, set()),
        ([("GAIN", 1.9)], None, 1.9, {"gain"}),
        ([("GAIN", -1)], None, None, {"gain"}),
        ([("GAIN", 1.9, "e/ADU"), ("EGAIN", 0.27)], None, 0.27, {"gain"}),
        ([("GAIN", 200, "electrons per ADU")], 200.0, None, {"gain"}),
        ([("EGAIN", 0.0)], None, None, {"egain"}),
        ([("EGAIN", 139)], None, None, {"egain"}),
    ],
)
def test_gain_setting_and_electrons_are_told_apart(cards, setting, e_adu, codes):
    """Guards the two meanings of GAIN."""
    assert read(levels.read_gain, *cards) == ((setting, e_adu), codes)


@pytest.mark.parametrize(
    ("value", "level", "codes"),
    [(-100, 100.0, set()), (0, 0.0, set()), (100, 100.0, {"pedestal"})],
)
def test_the_pedestal_is_the_level_to_subtract(value, level, codes):
    """Guards the sign: PEDESTAL is added to get to zero (SBFITSEXT 1.0)."""
    assert read(levels.read_pedestal_adu, ("PEDESTAL", value)) == (level, codes)


@pytest.mark.parametrize(
    ("card", "level"),
    [
        (("SATURATE", 65535), 65535.0),
        (("SATURATE", 0), None),
        (("DATAMAX", 16383), 16383.0),
        (("DATAMAX", 48213, "largest value"), None),  # FITS Standard 4.0, section 4.4.2.5
        (("DATAMAX", 60000, "saturation level"), 60000.0),
    ],
)
def test_saturation_is_not_just_the_largest_value(card, level):
    """Guards the clipping level from an ordinary frame's maximum."""
    assert levels.read_saturation_adu(CardIndex([Card(*card)])) == level


@pytest.mark.parametrize(
    ("cards", "binning", "codes"),
    [
        ([], (1, 1), set()),
        ([("XBINNING", 2), ("YBINNING", 2)], (2, 2), set()),
        ([("XBINNING", "2"), ("YBINNING", 3.0)], (2, 3), set()),
        ([("BINNING", "2x2")], (2, 2), set()),
        ([("BINNING", 2)], (2, 2), set()),
        ([("BINNING", "1 X 4")], (1, 4), set()),
        ([("CCDSUM", "2 2")], (2, 2), set()),  # NOAO dictionary 1.0
        ([("CCDSUM", "4,4")], (4, 4), set()),
        ([("XBINNING", 2)], (2, 2), set()),
        ([("XBINNING", 0)], (1, 1), {"binning"}),
        ([("BINNING", "full")], (1, 1), {"binning"}),
    ],
)
def test_binning_is_read_in_its_spellings(cards, binning, codes):
    """Guards the binning along both axes."""
    assert read(camera.read_binning, *cards) == (binning, codes)


@pytest.mark.parametrize(
    ("cards", "binning", "pixel_um", "codes"),
    [
        ([("XPIXSZ", 3.76)], 1, 3.76, set()),
        ([("XPIXSZ", 9.0)], 2, 4.5, set()),  # SBFITSEXT 1.0: after binning
        ([("XPIXSZ", 9.0, "unbinned pixel width")], 2, 9.0, set()),
        ([("PIXSIZE1", 3.76)], 2, 3.76, set()),  # NOAO dictionary 1.0: unbinned
        ([("PIXSIZE1", 4.5), ("XPIXSZ", 9.0)], 2, 4.5, set()),
        ([("XPIXSZ", "3.76 um")], 1, 3.76, set()),
        ([("PIXSIZE", 0.00376)], 1, 3.76, set()),
        ([("PIXSIZE", 3.76e-6)], 1, 3.76, set()),
        ([("XPIXSZ", 3.76)], 2, 3.76, {"pixel-size"}),  # 1.88 would be too small
        ([("XPIXSZ", 0.0)], 1, None, {"pixel-size"}),
        ([("XPIXSZ", 900.0)], 1, None, {"pixel-size"}),
    ],
)
def test_the_pixel_is_one_unbinned_photosite(cards, binning, pixel_um, codes):
    """Guards the plate scale from a binned pixel size."""
    found, asked = read(camera.read_pixel_um, *cards, args=(binning,))
    assert found == (None if pixel_um is None else pytest.approx(pixel_um))
    assert asked == codes


@pytest.mark.parametrize(
    ("cards", "pattern", "codes"),
    [
        ([("BAYERPAT", "RGGB")], "RGGB", set()),
        ([("BAYERPAT", " rggb ")], "RGGB", set()),
        ([("COLORTYP", "GBRG")], "GBRG", set()),
        ([("BAYERPAT", "RGGB"), ("XBAYROFF", 1), ("YBAYROFF", 0)], "GRBG", set()),
        ([("BAYERPAT", "RGGB"), ("XBAYROFF", 0), ("YBAYROFF", 1)], "GBRG", set()),
        ([("BAYERPAT", "RGGB"), ("XBAYROFF", 1), ("YBAYROFF", 1)], "BGGR", set()),
        ([("BAYERPAT", "RGGB"), ("XBAYROFF", 2), ("YBAYROFF", -2)], "RGGB", set()),
        ([("COLORTYP", "MONO")], None, set()),
        ([("BAYERPAT", "CYYM")], None, {"bayer"}),
        ([], None, set()),
    ],
)
def test_the_mosaic_starts_at_the_first_stored_pixel(cards, pattern, codes):
    """Guards the colour of every pixel: RGGB one column on reads GRBG, one row on GBRG."""
    assert read(camera.read_bayer, *cards, args=(Shape(10, 10),)) == (pattern, codes)


def test_three_planes_are_no_mosaic():
    """Guards a debayered frame that kept its BAYERPAT from being debayered again."""
    assert read(camera.read_bayer, ("BAYERPAT", "RGGB"), args=(Shape(10, 10, 3),))[0] is None


@pytest.mark.parametrize(
    ("cards", "focal_mm", "codes"),
    [
        ([("FOCALLEN", 480.0)], 480.0, set()),  # SBFITSEXT 1.0, mm
        ([("FOCALLENGTH", "480 mm")], 480.0, set()),
        ([("FOCAL", "0.48 m")], 480.0, set()),
        ([("FOCALLEN", 48.0, "[cm] focal length")], 480.0, set()),
        ([("FOCALLEN", 0)], None, {"focal-length"}),
        ([("FOCALLEN", 0), ("FOCAL", 480)], 480.0, {"focal-length"}),
        ([("FOCALLEN", -480)], None, {"focal-length"}),
        ([("FOCALLEN", 0.48)], 480.0, {"focal-length"}),
        ([("FOCALLEN", 480000)], None, {"focal-length"}),
    ],
)
def test_the_focal_length_is_read_in_millimetres(cards, focal_mm, codes):
    """Guards the plate scale from a focal length of zero or in metres."""
    assert read(optics.read_focal_mm, *cards) == (focal_mm, codes)


@pytest.mark.parametrize(
    ("value", "airmass", "codes"),
    [(1.0, 1.0, set()), (1.7, 1.7, set()), (0.9995, 1.0, set()), (0, None, {"airmass"}),
     (-1.0, None, {"airmass"}), (0.5, None, {"airmass"}), (99.9, None, {"airmass"})],
)  # fmt: skip
def test_an_airmass_is_at_least_one(value, airmass, codes):
    """Guards extinction from an airmass below 1 or beyond the horizon (about 38)."""
    assert read(optics.read_airmass, ("AIRMASS", value)) == (airmass, codes)


@pytest.mark.parametrize(
    ("value", "side"),
    [("East", "east"), ("WEST", "west"), ("W", "west"), ("e", "east"), ("pierEast", "east"),
     ("pier_west", "west"), ("East, looking West", None), ("pier east, looking west", "east"),
     ("looking west", None), ("Unknown", None), (0, None), ("", None)],
)  # fmt: skip
def test_the_pier_side_is_where_the_telescope_stands(value, side):
    """Guards the side against the way the telescope looks."""
    assert optics.read_pier_side(CardIndex([Card("PIERSIDE", value)])) == side


@given(
    st.sampled_from(["sensor_temperature", "set_temperature"]),
    st.one_of(st.text(max_size=12), st.floats(), st.integers()),
)
def test_a_temperature_is_possible_or_none(name, value):
    """Guards the law that no impossible temperature passes, whatever the card holds."""
    card = ("SET-TEMP" if name.startswith("set") else "CCD-TEMP", value)
    found, _ = read(camera.read_temperature_c, card, args=(name,))
    assert found is None or -250.0 <= found <= 60.0


@pytest.mark.parametrize(
    ("name", "card", "found", "codes"),
    [
        ("sensor_temperature", ("CAMTEMP", -134.25, "Camera temperature in C"), -134.25, set()),
        ("sensor_temperature", ("DET-TEMP", 30.0, "[K] infrared array"), -243.15, set()),
        ("sensor_temperature", ("CAMTEMP", -1.0, "in Kelvin, =-1 if no data"), None, set()),
        ("sensor_temperature", ("CCD-TEMP", -999.0), None, {"temperature"}),
        ("sensor_temperature", ("CCD-TEMP", 100.0), None, {"temperature"}),
        ("ambient_temperature", ("TEMPAMB", 64.4, "Mean temperature in deg F"), 18.0, set()),
        ("ambient_temperature", ("AMBTEMP", -134.25), None, {"temperature"}),
    ],
)
def test_professional_cameras_are_colder(name, card, found, codes):
    """Guards detectors in liquid nitrogen (-90 to -200 C, common practice, no source)."""
    assert read(camera.read_temperature_c, card, args=(name,)) == (
        pytest.approx(found) if found is not None else None,
        codes,
    )
