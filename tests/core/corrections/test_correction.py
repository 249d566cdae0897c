"""Corrections as typed, as stored, as said back and as applied to a header."""

import json
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.corrections.correction import (
    BY_A_PERSON,
    LONGEST_SHIFT,
    Field,
    corrected_header,
    in_words,
    night_said,
    read_date,
    read_exposure,
    read_kind,
    read_site,
)
from runlog.core.corrections.in_force import Said, TargetChanges, spelling_key
from runlog.core.frame import FrameHeader, Kind, Question
from runlog.errors import UsageError

START = datetime(2026, 10, 9, 22, 5, tzinfo=UTC)
HEADER = FrameHeader(Kind.LIGHT, "header", taken_at_utc=START, time_from="DATE-OBS")


def applied(header, field, stored, evening=None):
    """Give a header with one correction applied, whose night began in an evening."""
    return corrected_header(header, {field: stored}, lambda _: evening)


# --- as typed -------------------------------------------------------------------------------


@given(st.integers(0, 366 * 60 - 1), st.integers(0, 23), st.integers(0, 59), st.sampled_from("+-"))
def test_a_shift_is_the_shift_that_was_typed(days, hours, minutes, sign):
    """Guards every second of a long shift: a clock that fell back by decades is put right."""
    stored = read_date(f"{sign}{days}d {hours}h {minutes}min", 1)
    by = timedelta(days=days, hours=hours, minutes=minutes) * (1 if sign == "+" else -1)
    start = datetime(2100, 1, 1, tzinfo=UTC)
    header = FrameHeader(Kind.LIGHT, "header", taken_at_utc=start)
    assert applied(header, Field.DATE, stored).taken_at_utc - start == by


@given(st.integers(1, 7_200_000))
def test_an_exposure_is_as_long_as_was_typed(milliseconds):
    """Guards each digit of a typed exposure up to the longest one."""
    seconds = milliseconds / 1000
    assert applied(HEADER, Field.EXPOSURE, read_exposure(f"{seconds:.3f} s")).exposure_s == seconds


@pytest.mark.parametrize("typed", ["+", "-", "+h", "+1", "+1x", "+1h and", "soon", "2026-13-01"])
def test_what_is_no_date_is_refused(typed):
    """Guards that half a shift, or a day there is not, is never taken for a date."""
    with pytest.raises(UsageError, match="no date"):
        read_date(typed, 1)


def test_the_longest_shift():
    """Guards the end of what is a shift: sixty years are one, a second more is none."""
    seconds = LONGEST_SHIFT.total_seconds()
    assert read_date(f"+{seconds:.0f}s", 1) == f"shift {seconds:.0f}"
    with pytest.raises(UsageError, match="no shift"):
        read_date(f"+{seconds + 1:.0f}s", 1)


@pytest.mark.parametrize(
    ("typed", "seconds"), [("+5m", 300), ("5min earlier", -300), ("+7s", 7), ("-1.5h", -5400)]
)
def test_each_unit_of_a_shift(typed, seconds):
    """Guards minutes by both of their names, seconds, and parts of an hour."""
    assert read_date(typed, 1) == f"shift {seconds}"


def test_a_shift_of_nothing_is_a_date_that_is_right():
    """Guards "+0s": the person says that the time is right as it stands."""
    assert in_words("date", read_date("+0s", 3)) == "right as it stands"


def test_one_start_is_of_one_frame():
    """Guards against giving a whole run one and the same start; without a zone it is UTC."""
    assert read_date("2026-10-09T22:05:00", 1) == f"start {START.isoformat()}"
    with pytest.raises(UsageError, match="2 frames cannot all have begun"):
        read_date("2026-10-09T22:05:00", 2)
    assert read_date("2026-10-09", 2) == "night 2026-10-09"


@pytest.mark.parametrize("typed", ["0", "7200.5", "-3", "3 min", "", "nan"])
def test_what_is_no_exposure_is_refused(typed):
    """Guards the bounds: above 0 and at most two hours, in seconds alone."""
    with pytest.raises(UsageError, match="no exposure time"):
        read_exposure(typed)


def test_the_longest_exposure_is_one():
    """Guards the bound itself: two hours are still a single exposure."""
    assert read_exposure("7200s") == "7200"


@pytest.mark.parametrize(
    "typed",
    ["90 0", "-90 360", "0 -180", "50 14 9000", "50 14 -500"],
)
def test_sites_at_the_ends_of_the_earth(typed):
    """Guards the poles, the date line, the deepest shore and the highest mountain as sites."""
    assert json.loads(read_site(typed)) == [float(number) for number in typed.split()]


@pytest.mark.parametrize(
    "typed",
    [
        *("90.1 0", "-90.1 0", "0 -180.1", "0 360.1", "50 14 9001", "50 14 -501"),
        *("50", "50 14 400 1", "nan 14", "here", ""),
    ],
)
def test_what_is_no_site_is_refused(typed):
    """Guards that a place off the Earth is never stored."""
    with pytest.raises(UsageError, match="no site"):
        read_site(typed)


def test_an_unknown_kind_is_refused_with_the_known():
    """Guards the list of kinds that is given as a cure."""
    with pytest.raises(UsageError) as refused:
        read_kind("snapshot")
    assert "light" in str(refused.value.cure)


# --- as said back ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (60, "1 min later"),
        (-86_400, "1 d earlier"),
        (59, "59 s later"),
        (3599, "59 min 59 s later"),
    ],
)
def test_a_shift_in_words_uses_the_largest_units(seconds, said):
    """Guards days, hours and minutes at their bounds."""
    assert in_words("date", f"shift {seconds}") == said


# --- as applied -----------------------------------------------------------------------------


@pytest.mark.parametrize(("evening", "day"), [(date(2026, 10, 9), 14), (None, 9)])
def test_an_evening_keeps_the_time_of_day(evening, day):
    """Guards whole days between evenings; where the evening is unknown nothing is moved."""
    found = applied(HEADER, Field.DATE, "night 2026-10-14", evening)
    assert found.taken_at_utc == START.replace(day=day)


def test_a_start_is_set_even_where_there_was_none():
    """Guards the one correction of time that needs none before it."""
    silent = FrameHeader(Kind.LIGHT, "header")
    assert applied(silent, Field.DATE, f"start {START.isoformat()}").taken_at_utc == START
    assert applied(silent, Field.DATE, "shift 3600").taken_at_utc is None


def test_a_shift_over_the_end_of_the_calendar_moves_nothing():
    """Guards a clock at year 9999: no crash, the time stays as it was."""
    late = FrameHeader(Kind.LIGHT, "header", taken_at_utc=datetime(9999, 12, 31, tzinfo=UTC))
    assert applied(late, Field.DATE, "shift 86400") == late


def test_a_kind_by_a_person_says_so():
    """Guards that no rule changes a kind again that a person gave."""
    found = applied(HEADER, Field.KIND, "dark")
    assert (found.kind, found.kind_from) == (Kind.DARK, BY_A_PERSON)


def test_a_site_without_a_height_keeps_the_header_s():
    """Guards the elevation that a person left out."""
    high = FrameHeader(Kind.LIGHT, "header", elevation_m=311.0)
    kept = applied(high, Field.SITE, "[50.0, 14.0]")
    assert (kept.latitude_deg, kept.longitude_deg, kept.elevation_m) == (50.0, 14.0, 311.0)
    assert applied(high, Field.SITE, "[50.0, 14.0, 0.0]").elevation_m == 0.0


def test_a_rig_keeps_what_was_not_said():
    """Guards the parts of a rig that a correction leaves to the header, its scale included."""
    header = FrameHeader(
        *(Kind.LIGHT, "header"), telescope="Wren", camera="Mono", focal_mm=540.0, pixel_um=3.76,
        arcsec_per_px=1.5,
    )  # fmt: skip
    named = applied(header, Field.RIG, '["Old Newton", null, null, null]')
    assert (named.telescope, named.camera) == ("Old Newton", "Mono")
    assert (named.focal_mm, named.pixel_um, named.arcsec_per_px) == (540.0, 3.76, 1.5)
    # 206.264806 x 7.52 / 540 by the small angle
    wider = applied(header, Field.RIG, "[null, null, null, 7.52]")
    assert wider.arcsec_per_px == pytest.approx(2.872428, abs=1e-6)


@pytest.mark.parametrize(
    ("field", "stored", "left"),
    [
        (Field.DATE, "shift 0", ["filter-unknown", "kind-doubtful", "site-none"]),
        (Field.KIND, "light", ["date-future", "filter-unknown", "site-none"]),
        (Field.TARGET, "M 33", ["date-future", "filter-unknown", "kind-doubtful", "site-none"]),
    ],
)
def test_a_correction_answers_its_own_questions_alone(field, stored, left):
    """Guards that nothing stays doubtful that a person answered, and nothing else is dropped."""
    codes = ("date-future", "filter-unknown", "kind-doubtful", "site-none")
    asked = FrameHeader(
        Kind.LIGHT, "header", taken_at_utc=START, questions=tuple(Question(c, "?") for c in codes)
    )
    assert [question.code for question in applied(asked, field, stored).questions] == left


def test_the_evening_of_frames_without_a_time():
    """Guards that only an evening names the night; a shift or a start does not."""
    assert night_said({Field.DATE: "night 2026-10-14"}) == "2026-10-14"
    assert night_said({Field.DATE: "shift 3600"}) is None
    assert night_said({}) is None


# --- what is in force -----------------------------------------------------------------------


def test_a_panel_with_a_name_of_its_own_goes_its_own_way():
    """Guards that a panel renamed alone does not follow its mosaic, and unknown names stay."""
    changes = TargetChanges({"A": "B", "A panel 2": "C"})
    assert changes.final("A panel 2") == "C"
    assert changes.final("A panel 1") == "B panel 1"
    assert changes.final("Z panel 1") == "Z panel 1"


def test_a_spelling_is_its_letters():
    """Guards what tells two spellings apart: letters, no blanks or underscores."""
    assert spelling_key(" M_ 33  east ") == "M 33 east"
    assert spelling_key(None) == ""
    assert Said().changes.final("M 33") == "M 33"
