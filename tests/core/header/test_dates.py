"""When an exposure started, by every way a header can say it."""

from datetime import UTC, date, datetime, timedelta

import pytest
from astropy.time import Time
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex
from runlog.core.header.dates import (
    Stamp,
    from_jd,
    from_mjd,
    parse_clock,
    parse_stamp,
    time_scale,
    to_utc,
)
from runlog.core.header.questions import Doubts
from runlog.core.header.start import read_start

START = datetime(2024, 3, 12, 22, 15, 33, tzinfo=UTC)
MJD = 60381.92746527778  # Time("2024-03-12T22:15:33").mjd, checked below against astropy


def start_of(*cards, exposure_s=300.0):
    """Read the start from (keyword, value[, comment]) triples; give it with the codes asked."""
    doubts = Doubts()
    index = CardIndex([Card(*card) for card in cards])
    start = read_start(index, exposure_s, doubts)
    return start, {question.code for question in doubts._asked.values()}


def us(hour=0, minute=0, second=0.0):
    """Give a time of day in microseconds."""
    return round((hour * 3600 + minute * 60 + second) * 1e6)


@pytest.mark.parametrize(
    ("text", "day", "clock_us"),
    [
        # FITS Standard 4.0, section 9.1.1: CCYY-MM-DD[Thh:mm:ss[.s...]] (examples from memory)
        ("1996-10-14", date(1996, 10, 14), None),
        ("1996-10-14T10:14:36", date(1996, 10, 14), us(10, 14, 36)),
        ("1996-10-14T10:14:36.123", date(1996, 10, 14), us(10, 14, 36.123)),
        ("2016-12-31T23:59:60", date(2016, 12, 31), us(23, 59, 60)),  # leap second
        # FITS Standard 4.0, section 4.4.2.1: DD/MM/YY stands for 1900 to 1999 (IAU-FWG 1997)
        ("14/10/96", date(1996, 10, 14), None),
        ("01/01/00", date(1900, 1, 1), None),
        ("31/12/99", date(1999, 12, 31), None),
        # What else is written (common practice, no source)
        ("14/10/2011", date(2011, 10, 14), None),
        ("2011/10/14 10:14:36", date(2011, 10, 14), us(10, 14, 36)),
        ("2011-10-14 10:14", date(2011, 10, 14), us(10, 14)),
        ("2011-10-14T10:14:36,5", date(2011, 10, 14), us(10, 14, 36.5)),
        ("  2011-10-14T10:14:36.1234567Z ", date(2011, 10, 14), us(10, 14, 36.123456)),
        ("2011-10-14T24:00:00", date(2011, 10, 14), us(24)),
    ],
)
def test_a_date_is_read_as_written(text, day, clock_us):
    """Guards every spelling of a date the standard and the field know."""
    stamp = parse_stamp(text)
    assert (stamp.day, stamp.clock_us) == (day, clock_us)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2011-13-01",
        "2011-02-30",
        "0000-00-00T00:00:00",
        "99",
        "2011-10-14T25:00:00",
        "2011-10-14T10:61:00",
        "2011-10-14T10:14:61",
        "2011-10-14T24:00:01",
        "9999-01-01",
        "12:30:00",
    ],
)
def test_what_is_no_date_is_not_made_one(text):
    """Guards against a made-up instant from a broken card."""
    assert parse_stamp(text) is None


def test_month_first_is_read_only_where_day_first_makes_no_date():
    """Guards the order of day and month: DD/MM is the standard's, MM/DD is asked about."""
    assert parse_stamp("03/04/2011").day == date(2011, 4, 3)
    swapped = parse_stamp("04/28/2011")
    assert swapped.day == date(2011, 4, 28)
    assert swapped.swapped
    start, codes = start_of(("DATE-OBS", "04/28/2011 20:00:00"))
    assert start.at_utc == datetime(2011, 4, 28, 20, tzinfo=UTC)
    assert "date-day-or-month" in codes


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2024-03-12T24:00:00", datetime(2024, 3, 13, tzinfo=UTC)),
        ("2016-12-31T23:59:60", datetime(2017, 1, 1, tzinfo=UTC)),
        ("2024-03-12T22:15:33+01:00", datetime(2024, 3, 12, 21, 15, 33, tzinfo=UTC)),
        ("2024-03-12T22:15:33-0530", datetime(2024, 3, 13, 3, 45, 33, tzinfo=UTC)),
    ],
)
def test_a_stamp_becomes_an_instant(text, expected):
    """Guards midnight written as 24 h, leap seconds and stated offsets (ISO 8601)."""
    assert parse_stamp(text).moment() == expected


@given(
    st.datetimes(datetime(1850, 1, 1), datetime(2199, 12, 31), timezones=st.just(UTC)),
    st.sampled_from("T "),
)
def test_iso_round_trip(moment, separator):
    """Guards the law that writing an instant in ISO 8601 and reading it gives it back."""
    assert parse_stamp(moment.replace(tzinfo=None).isoformat(separator)).moment() == moment


@given(st.text(max_size=40))
def test_no_text_breaks_the_parsers(text):
    """Guards against a card that stops a scan."""
    parse_stamp(text)
    parse_clock(text)
    time_scale(text)


# --- numbers and time scales, against astropy.time ------------------------------------------------


def test_mjd_of_the_examples_is_right():
    """Guards the constant the other tests build on, against astropy.time."""
    assert Time("2024-03-12T22:15:33", scale="utc").mjd == pytest.approx(MJD, abs=1e-10)


@given(st.datetimes(datetime(1975, 1, 1), datetime(2026, 1, 1)))
@settings(max_examples=50)
def test_julian_dates_agree_with_astropy(moment):
    """Guards MJD and JD to 1 ms (a double holds a JD to 0.04 ms) on days without a leap second."""
    time = Time(moment, scale="utc")
    # On the day of a leap second astropy stretches the fraction over 86401 s.
    stretch_s = 1.0 if moment.date().month in (6, 12) and moment.date().day in (30, 31) else 0.0
    expected = moment.replace(tzinfo=UTC)
    for found in (from_mjd(time.mjd), from_jd(time.jd)):
        assert abs((found - expected).total_seconds()) <= 0.0012 + stretch_s


@pytest.mark.parametrize("scale", ["tt", "tai", "tdb"])
@given(st.datetimes(datetime(1972, 1, 2), datetime(2026, 1, 1)))
@settings(max_examples=40)
def test_time_scales_agree_with_astropy(scale, moment):
    """Guards the leap second table and the 32.184 s of TT; TDB may differ from TT by 2 ms."""
    # Within a leap second the two clocks cannot be told apart by a datetime.
    assume(not (moment.day == 1 and moment.hour == moment.minute == 0 and moment.second < 2))
    utc = Time(moment, scale="utc", precision=6)
    written = getattr(utc, scale).to_datetime().replace(tzinfo=UTC)
    apart_s = (to_utc(written, scale.upper()) - moment.replace(tzinfo=UTC)).total_seconds()
    assert abs(apart_s) < 0.0025


def test_gps_time_is_19_s_behind_tai():
    """Guards GPS time, against astropy's GPS seconds (zero on 1980-01-06 UTC)."""
    moment = datetime(2024, 3, 12, 22, 15, 33, tzinfo=UTC)
    seconds = Time("2024-03-12T22:15:33", scale="utc").gps
    written = datetime(1980, 1, 6, tzinfo=UTC) + timedelta(seconds=seconds)
    assert abs((to_utc(written, "GPS") - moment).total_seconds()) < 1e-3


@pytest.mark.parametrize(
    ("written", "scale"),
    [("UTC", "UTC"), ("UTC(NIST)", "UTC"), ("UTC approximate", "UTC"),
     ("Universal time", "UTC"), ("tt(tai)", "TT"), ("IAT", "IAT"), ("ET", "ET"),
     ("LOCAL", "LOCAL"), ("TCG", None), ("MESZ", None)],
)  # fmt: skip
def test_time_scales_are_known_by_name(written, scale):
    """Guards the names of FITS Standard 4.0, table 30, with a realisation in brackets."""
    assert time_scale(written) == scale


# --- from cards to the start ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "source"),
    [
        ([("DATE-OBS", "2024-03-12T22:15:33")], "DATE-OBS"),
        ([("DATE-OBS", "2024-03-12T22:15:33.000Z ")], "DATE-OBS"),
        ([("date_obs", "2024-03-12 22:15:33")], "date_obs"),
        ([("DATE-BEG", "2024-03-12T22:15:33"), ("DATE-OBS", "2024-03-12T22:18:03")], "DATE-BEG"),
        ([("DATE-OBS", "2024-03-12"), ("TIME-OBS", "22:15:33")], "DATE-OBS + TIME-OBS"),
        ([("DATE-OBS", "12/03/2024"), ("UT", "22:15:33")], "DATE-OBS + UT"),
        ([("DATE-OBS", "2024-03-12"), ("UTSTART", "22:15:33.0")], "DATE-OBS + UTSTART"),
        ([("DATE-OBS", "2024-03-12"), ("UT-START", "22 15 33")], "DATE-OBS + UT-START"),
        ([("DATE-OBS", "2024-03-12"), ("TIME-BEG", "22:15:33")], "DATE-OBS + TIME-BEG"),
        ([("MJD-OBS", 60381.0), ("UT", "22:15:33")], "MJD-OBS + UT"),
        ([("MJD-OBS", MJD)], "MJD-OBS"),
        ([("MJD-BEG", str(MJD))], "MJD-BEG"),
        ([("DATE-OBS", "2024-03-12"), ("MJD-OBS", MJD)], "MJD-OBS"),
        ([("JD-OBS", MJD + 2400000.5)], "JD-OBS"),
        ([("JD", MJD + 2400000.5, "Julian date at exposure start")], "JD"),
        ([("TIMESYS", "TT"), ("DATE-OBS", "2024-03-12T22:16:42.184")], "DATE-OBS"),
        ([("TIMESYS", "TAI"), ("DATE-OBS", "2024-03-12T22:16:10")], "DATE-OBS"),
        ([("DATE-OBS", "2024-03-12T23:15:33+01:00")], "DATE-OBS"),
        ([("DATE-LOC", "2024-03-12T23:15:33"), ("DATE-OBS", "2024-03-12T22:15:33")], "DATE-OBS"),
        ([("DATE", "2024-03-12T22:20:44"), ("DATE-OBS", "2024-03-12T22:15:33")], "DATE-OBS"),
        ([("DATE-OBS", "", "empty"), ("DATE-OBS", "2024-03-12T22:15:33")], "DATE-OBS"),
    ],
)
def test_the_start_is_found(cards, source):
    """Guards each way a header says when, and that the way is told (MJD and JD to 1 ms)."""
    start, codes = start_of(*cards)
    assert abs((start.at_utc - START).total_seconds()) < 1e-3
    assert start.source == source
    assert not codes


@pytest.mark.parametrize(
    ("cards", "source"),
    [
        ([("DATE-AVG", "2024-03-12T22:18:03")], "DATE-AVG minus half the exposure"),
        ([("MJD-AVG", MJD + 150 / 86400)], "MJD-AVG minus half the exposure"),
        ([("JD", MJD + 2400000.5 + 150 / 86400, "mid exposure")], "JD minus half the exposure"),
        ([("DATE-END", "2024-03-12T22:20:33")], "DATE-END minus the exposure"),
        (
            [("DATE-OBS", "2024-03-12T22:20:33", "UTC at end of exposure")],
            "DATE-OBS minus the exposure",
        ),
        (
            [("DATE-OBS", "2024-03-12T22:18:03", "middle of exposure, UTC")],
            "DATE-OBS minus half the exposure",
        ),
        ([("JD", MJD + 2400000.5)], "JD"),  # nothing says which: the last resort
    ],
)
def test_a_reckoned_start_is_said_to_be_reckoned(cards, source):
    """Guards the last resorts: the start comes out right and a question tells how."""
    start, codes = start_of(*cards)
    assert abs((start.at_utc - START).total_seconds()) < 1e-3
    assert start.source == source
    assert codes == {"start-reckoned"}


@pytest.mark.parametrize(
    ("cards", "code"),
    [
        ([], "date-missing"),
        ([("DATE", "2024-03-12T22:20:44")], "date-missing"),  # when the file was written
        ([("DATE-OBS", "2024-03-12")], "date-without-time"),
        ([("MJD-OBS", 60381)], "date-without-time"),
        ([("DATE-OBS", "soon")], "date-unreadable"),
        ([("MJD-OBS", 2460381.5)], "date-unreadable"),  # a JD under the wrong keyword
        ([("DATE-LOC", "2024-03-12T23:15:33")], "time-local-only"),
        ([("LOCALTIM", "2024-03-12T23:15:33"), ("DATE-OBS", "2024-03-12")], "time-local-only"),
        ([("DATE-OBS", "2024-03-12"), ("LT", "23:15:33")], "time-local-only"),
        ([("DATE-OBS", "2024-03-12T23:15:33", "local date and time")], "time-local-only"),
        ([("DATE-OBS", "2024-03-12"), ("TIME-OBS", "23:15:33", "local")], "time-local-only"),
        ([("TIMESYS", "LOCAL"), ("DATE-OBS", "2024-03-12T23:15:33")], "time-local-only"),
    ],
)
def test_no_start_is_made_up(cards, code):
    """Guards local times, file dates and bare dates from being taken for the start in UTC."""
    start, codes = start_of(*cards)
    assert start.at_utc is None
    assert start.source is None
    assert code in codes


@pytest.mark.parametrize(
    ("cards", "code"),
    [
        ([("TIMESYS", "MESZ"), ("DATE-OBS", "2024-03-12T22:15:33")], "time-scale"),
        ([("DATE-OBS", "12/03/24"), ("UT", "22:15:33")], "date-before-1990"),
        ([("DATE-OBS", "1980-01-01T00:03:10")], "date-before-1990"),  # a clock never set
        (
            [("DATE-OBS", "2024-03-12T22:15:33"), ("DATE-END", "2024-03-12T22:15:33")],
            "end-contradicts-exposure",
        ),
        (
            [("DATE-OBS", "2024-03-12T22:15:33"), ("DATE-END", "2024-03-12T22:16:44")],
            "end-contradicts-exposure",
        ),
        ([("DATE-OBS", "2024-03-12T23:15:33"), ("UT", "22:15:33")], "times-disagree"),
        ([("DATE-OBS", "2024-03-12T23:15:33"), ("MJD-OBS", MJD)], "times-disagree"),
    ],
)
def test_a_doubtful_start_is_asked_about(cards, code):
    """Guards the questions about a start that is read but need not be right."""
    start, codes = start_of(*cards)
    assert start.at_utc is not None
    assert code in codes


def test_a_start_that_fits_raises_no_question():
    """Guards against questions about a header whose cards agree, readout and midnight included."""
    _, codes = start_of(
        ("DATE-OBS", "2024-03-12T23:59:58"),
        ("UT", "00:00:00", "UT of telescope coordinates"),
        ("DATE-END", "2024-03-13T00:05:12"),
        ("DATE-LOC", "2024-03-13T00:59:58"),
        ("MJD-OBS", 60381.0),
    )
    assert not codes


def test_a_middle_without_an_exposure_gives_no_start():
    """Guards against taking the middle for the start when the length is not known."""
    start, codes = start_of(("DATE-AVG", "2024-03-12T22:18:03"), exposure_s=None)
    assert start.at_utc is None
    assert "start-reckoned" in codes


def test_a_bare_date_is_no_instant():
    """Guards the difference between midnight and "no time given"."""
    assert Stamp(date(2024, 3, 12)).moment() is None
    assert Stamp(date(2024, 3, 12), 0).moment() == datetime(2024, 3, 12, tzinfo=UTC)


def test_an_early_ccd_is_believed():
    """Guards observatory frames of 1987 from being told that there were no cameras."""
    start, codes = start_of(("DATE-OBS", "05/04/87"), ("UT", "9:27:27.00"))
    assert start.at_utc == datetime(1987, 4, 5, 9, 27, 27, tzinfo=UTC)
    assert codes == set()


DAY = ("DATE-OBS", "2011-07-01")
FULL = ("DATE-OBS", "2011-07-01T20:34:42")


@pytest.mark.parametrize(
    ("value", "comment", "clock"),
    [
        # Hours below 24, seconds above; the comments are those of real headers of large telescopes.
        (20.578056, "TCS UTC at start (2011-07-01 20:34:41)", (20, 34, 41)),
        (34860.151, "Universal Time at start 09:41:00.151", (9, 41, 0.151)),
        (11962.0, "03:19:22.000 UTC at start (sec)", (3, 19, 22)),
        (5.0, "00:00:05.000 UTC at start (sec)", (0, 0, 5)),
        (5.0, "Universal Time at start 00:00:05.000", (0, 0, 5)),
        (5.5, "", (5, 30, 0)),
        (5, "[h] universal time", (5, 0, 0)),
        (5, "seconds since midnight", (0, 0, 5)),
        (0.25, "universal time, fraction of a day", (6, 0, 0)),
        ("20.5", "UT at start", (20, 30, 0)),
        (86399, "", (23, 59, 59)),
    ],
)
def test_a_time_of_day_written_as_one_number(value, comment, clock):
    """Guards hours and seconds of the day: neither is a Julian date, alone or beside DATE-OBS."""
    expected = datetime(2011, 7, 1, tzinfo=UTC) + timedelta(microseconds=us(*clock))
    start, codes = start_of(DAY, ("UTC", value, comment))
    assert abs((start.at_utc - expected).total_seconds()) < 0.5
    assert not codes
    _, codes = start_of(("DATE-OBS", expected.isoformat()[:19]), ("UTC", value, comment))
    assert not codes


@pytest.mark.parametrize(
    ("value", "comment"), [(86_401, ""), (-2.0, ""), (30, "hours"), (55743.9, "MJD of start")]
)
def test_a_number_that_is_no_time_of_day(value, comment):
    """Guards against a clock made of any number."""
    start, codes = start_of(DAY, ("UT", value, comment))
    assert start.at_utc is None
    assert "date-unreadable" in codes


def test_a_number_that_contradicts_the_date_is_asked_about():
    """Guards the comparison itself: ten hours are ten hours, as number or as MJD."""
    assert "times-disagree" in start_of(FULL, ("UT", 10.5))[1]
    mjd = Time("2011-07-01T10:30:00").mjd
    assert "times-disagree" in start_of(FULL, ("MJD-OBS", mjd, "MIDAS desc.: O_TIME(4)"))[1]
    start, _ = start_of(("DATE-OBS", "2011-07-01T20:34:42", "MIDAS desc.: O_TIME(1)"))
    assert start.source == "DATE-OBS"  # the name of a system, not the middle


def test_a_number_in_a_card_of_dates_is_no_clock():
    """Guards DATE-AVG and the like: a number there may be anything."""
    start, codes = start_of(DAY, ("DATE-AVG", 20.5))
    assert start.at_utc is None
    assert "date-unreadable" in codes


def test_a_date_in_a_card_of_times_is_no_number_of_hours():
    """Guards against "2017-12-20T..." read as 2017 seconds (cards of a robotic telescope)."""
    date_card = ("DATE-OBS", "2017-12-20T01:33:43.317")
    assert not start_of(date_card, ("UT-OBS", "2017-12-20T01:33:43.317-0000"))[1]
    assert "date-unreadable" in start_of(DAY, ("UT", "12h30m15s?"))[1]
