"""Warnings: one when trouble begins, one when it is over."""

from dataclasses import replace
from datetime import timedelta

import pytest

from runlog.core.frame import FaultName, Grade, Verdict
from runlog.core.watch.advice import sentence
from runlog.core.watch.alarms import Alarms, What, advance, begun, catch_up, over
from runlog.core.watch.first_look import Against, FirstLook
from tests.core.runs import EVERY, START

from .looked import look, looked, told

CLEAN = look()
CLOUD = look(FaultName.CLOUD)
VEIL = look(FaultName.CLOUD, Grade.DOUBTFUL)
FEW = look(FaultName.FEW_STARS)
TRAIL = look(FaultName.TRAILED)
EARLY = FirstLook(Verdict(Grade.UNGRADED), Against.NOTHING)


def _whats(said):
    return [(a.what, a.cause) for a in said]


@pytest.mark.parametrize(("trouble", "frames"), [(CLOUD, 3), (VEIL, 6)])
def test_one_warning_when_it_begins_and_one_when_it_is_over(trouble, frames):
    """However long trouble lasts, two things are said."""
    _, said = told([CLEAN] * 2 + [trouble] * 20 + [CLEAN] * 10)
    assert _whats(said) == [(What.ALARM, "cloud"), (What.CLEARED, "cloud")]
    began = said[0]
    assert (began.frames, began.of) == (frames, frames)
    assert began.since_utc == START + 2 * EVERY
    assert said[1].since_utc == START + 22 * EVERY


def test_cloud_that_leaves_no_star_is_one_trouble():
    """Cloud, few stars, cloud in turn are charted together."""
    _, said = told([CLOUD, FEW, CLOUD, FEW, FEW, CLOUD])
    assert _whats(said) == [(What.ALARM, "cloud")]


def test_trouble_that_changes_its_face_is_told_too():
    """Three rejects in a row for three reasons are a warning, named by one of them."""
    doubled = look(FaultName.OFF_TARGET)
    _, said = told([CLOUD, TRAIL, doubled])
    assert len(said) == 1
    assert said[0].frames == 3


def test_another_cause_is_told_while_one_stands():
    """A cable that snags in cloud is told though cloud was."""
    both = replace(
        CLOUD, verdict=Verdict(Grade.REJECT, (*CLOUD.verdict.faults, *TRAIL.verdict.faults))
    )
    _, said = told([CLOUD] * 4 + [both] * 4 + [CLEAN] * 4)
    assert _whats(said)[:2] == [(What.ALARM, "cloud"), (What.ALARM, "trailed")]
    assert sorted(_whats(said)[2:]) == [(What.CLEARED, "cloud"), (What.CLEARED, "trailed")]


def test_frames_that_cannot_be_graded_say_nothing_for_or_against():
    """An ungraded frame neither begins nor ends trouble."""
    _, said = told([CLOUD, CLOUD, EARLY, CLOUD])
    assert _whats(said) == [(What.ALARM, "cloud")]


def test_frame_that_comes_again_changes_nothing():
    """After a restart a frame may be brought twice: it counts once."""
    state, said = told([CLOUD, CLOUD])
    again = looked(1, CLOUD)
    assert advance(state, again, again.arrived_utc) == (state, [])
    assert not said


def test_unmeasured_frames_are_warned_of():
    """Three lights in a row that could not be measured are trouble of the camera or the disk."""
    state, said = Alarms(), []
    for n in range(3):
        brought = looked(n, EARLY, measured_with=None)
        state, more = advance(state, brought, brought.arrived_utc)
        said += more
    assert _whats(said) == [(What.ALARM, "unreadable")]


def test_twilight_is_no_trouble():
    """A sky that brightens with the Sun near is not warned of; with the Sun far down it is."""
    bright = look(FaultName.BRIGHT_SKY)
    for sun_alt_deg, expected in ((-12.0, []), (-30.0, [(What.ALARM, "bright-sky")])):
        state, said = Alarms(), []
        for n in range(5):
            brought = looked(n, bright, sun_alt_deg=sun_alt_deg)
            state, more = advance(state, brought, brought.arrived_utc)
            said += more
        assert _whats(said) == expected


@pytest.mark.parametrize(
    ("sensor_c", "expected"),
    [
        ([20.0, 12.0, 4.0, -4.0, -10.0, -10.0], []),
        ([-10.0, -9.0, -5.0, -2.0, 1.0, 3.0], [(What.ALARM, "cooling")]),
        ([-10.0, -10.3, -9.6, -10.1, -9.9, -10.0], []),
    ],
)
def test_cooler_that_is_lost_is_told_and_one_that_still_cools_is_not(sensor_c, expected):
    """The sensor may be warm while it comes nearer to its set point."""
    state, said = Alarms(), []
    for n, at_c in enumerate(sensor_c):
        brought = looked(n, CLEAN, sensor_c=at_c, set_c=-10.0)
        state, more = advance(state, brought, brought.arrived_utc)
        said += more
    assert _whats(said) == expected


def test_catching_up_says_only_what_still_stands():
    """Cloud that came and went while the watch was off wakes nobody; cloud that stands does."""
    went = [looked(n, x) for n, x in enumerate([CLOUD] * 5 + [CLEAN] * 6 + [TRAIL] * 4)]
    _, said = catch_up(Alarms(), went[::-1], START + timedelta(hours=3))
    assert _whats(said) == [(What.ALARM, "trailed")]


def test_clocks_that_differ_are_said_once():
    """Frames that arrive 5 minutes before they end: once, and no clear word after it."""
    state, said = Alarms(), []
    for n in range(8):
        brought = looked(n, CLEAN, late_s=-300.0)
        state, more = advance(state, brought, brought.arrived_utc)
        said += more
    assert _whats(said) == [(What.ALARM, "clocks")]
    assert "300 s" in said[0].words or "5 min" in said[0].words


def test_clocks_that_agree_again_are_said_to():
    """Set right in the middle of the night: one line, and none while they nearly agree."""
    state, said = Alarms(), []
    for n in range(60):
        late_s = 600.0 if n < 8 else 45.0 if n < 30 else 1.0
        brought = looked(n, CLEAN, late_s=late_s)
        state, more = advance(state, brought, brought.arrived_utc)
        said += more
    assert _whats(said) == [(What.ALARM, "clocks"), (What.CLEARED, "clocks")]
    assert "arrive when they should again" in sentence(said[1])
    assert state.on == ()


def test_what_is_no_frames_is_said_once_until_it_is_over():
    """A folder that does not answer: begun twice, said once."""
    state, said = begun(Alarms(), "folder", "does not answer", START)
    state, more = begun(state, "folder", "does not answer", START + EVERY)
    assert len(said) == 1
    assert not more
    state, said = over(state, "folder", START + 2 * EVERY)
    assert _whats(said) == [(What.CLEARED, "folder")]
    assert over(state, "folder", START + 3 * EVERY) == (state, [])
