"""The questions a header raises, and exposures of one camera that overlap."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Kind, Question
from runlog.core.header.questions import CODES, Doubts, overlaps

START = datetime(2024, 3, 12, 22, 0, tzinfo=UTC)


def at(seconds):
    """Give an instant so many seconds into the night."""
    return START + timedelta(seconds=seconds)


def test_an_aborted_frame_runs_into_the_next():
    """Guards the trace of an aborted frame: it kept 300 s, and the next began after 71."""
    frames = [(at(0), 300.0), (at(312), 300.0), (at(383), 300.0), (at(695), 300.0)]
    assert overlaps(frames) == [(1, 2, 229.0)]


def test_the_order_of_frames_does_not_matter():
    """Guards indices that must follow the caller's order, whatever it is."""
    frames = [(at(383), 300.0), (at(312), 300.0)]
    assert overlaps(frames) == [(1, 0, 229.0)]


def test_a_second_says_nothing():
    """Guards against clocks written to the second being called overlaps."""
    assert overlaps([(at(0), 300.0), (at(299), 300.0)]) == []
    assert overlaps([(at(0), 300.0), (at(298.5), 300.0)]) == [(0, 1, 1.5)]


def test_copies_of_one_exposure_do_not_overlap():
    """Guards a calibrated copy beside its raw frame from being called an overlap."""
    assert overlaps([(at(0), 300.0), (at(0), 300.0), (at(312), 300.0)]) == []
    assert overlaps([]) == []


@given(st.lists(st.floats(1, 600), min_size=1, max_size=12), st.floats(0, 30))
def test_frames_one_after_the_other_never_overlap(lengths, readout_s):
    """Guards the law that a camera waiting for each frame's end shows no overlap."""
    frames, now = [], 0.0
    for length_s in lengths:
        frames.append((at(now), length_s))
        now += length_s + readout_s
    assert overlaps(frames) == []


def test_a_question_needs_a_code_of_the_table():
    """Guards the codes, which are stored and must not be made up on the spot."""
    with pytest.raises(KeyError, match="no-such-code"):
        Doubts().ask("no-such-code", "?")


def test_each_question_is_asked_once():
    """Guards a person's list from repeats."""
    doubts = Doubts()
    doubts.ask("site", "where?")
    doubts.ask("site", "where?")
    assert doubts.about(Kind.LIGHT) == (Question("site", "where?"),)


def test_a_dark_is_not_asked_about_the_sky():
    """Guards calibration frames from questions about airmass, pointing, optics and filter."""
    doubts = Doubts()
    doubts.ask("airmass", "AIRMASS 0 is no airmass")
    doubts.ask("temperature", "CCD-TEMP -999")
    assert [q.code for q in doubts.about(Kind.DARK)] == ["temperature"]
    assert [q.code for q in doubts.about(Kind.FLAT)] == ["temperature"]
    assert [q.code for q in doubts.about(Kind.LIGHT)] == ["airmass", "temperature"]


def test_every_code_says_what_it_asks():
    """Guards the table of codes: short names, each explained."""
    assert all(code == code.lower() and " " not in code and text for code, text in CODES.items())
