"""A frame that does not come."""

from datetime import UTC, datetime, timedelta

import ephem
import pytest

from runlog.core.frame import Kind
from runlog.core.watch.alarms import Alarms, What, advance
from runlog.core.watch.overdue import Waits, heard, overdue, resumed, waits_of
from tests.core.runs import EVERY, START, altered

from .looked import LENGTH_S, frame_at, look, looked, told

CLEAN = look()
LAST = 9  # the number of the last frame that came
ARRIVED = START + LAST * EVERY + timedelta(seconds=LENGTH_S + 6)
# The next file is due an exposure and a gap of 18 s after the last; a minute of slack, and a
# focus run of five.
DUE = ARRIVED + timedelta(seconds=LENGTH_S + 18 + 60 + 300)
MINUTE = timedelta(minutes=1)


def _run():
    return told([CLEAN] * (LAST + 1))[0]


def _said(waits, *, until=timedelta(hours=4), state=None):
    state, said, now = state or _run(), [], ARRIVED
    while now < ARRIVED + until:
        state, more = overdue(state, waits, now)
        said += [(now - ARRIVED, a) for a in more]
        now += timedelta(seconds=5)
    return said


def test_said_when_due_once_more_after_half_an_hour_and_never_again():
    """Two words in four hours of silence."""
    said = _said(Waits())
    assert [a.what for _, a in said] == [What.OVERDUE] * 2
    first, second = (after for after, _ in said)
    assert abs(first - (DUE - ARRIVED)) <= timedelta(seconds=5)
    assert second - first == pytest.approx(timedelta(minutes=30), abs=timedelta(seconds=5))


def test_flip_is_waited_for():
    """With the target at the meridian the next frame may take a flip longer."""
    at = ARRIVED + 3 * MINUTE
    first = _said(Waits(meridian_utc=at))[0][0]
    assert first >= DUE - ARRIVED + timedelta(seconds=180)
    far = _said(Waits(meridian_utc=ARRIVED + timedelta(hours=3)))[0][0]
    assert far == _said(Waits())[0][0]


@pytest.mark.parametrize("end", ["dark_until_utc", "ends_utc"])
def test_no_frame_is_expected_after_dawn_or_the_plans_end(end):
    """Where no whole frame fits in any more nothing is overdue; an hour before the end it is."""
    assert not _said(Waits(**{end: ARRIVED + 4 * MINUTE}))
    assert _said(Waits(**{end: ARRIVED + timedelta(hours=1)}))


def test_a_rig_at_work_long_after_the_plans_end_follows_another_plan():
    """A quarter of an hour late it may be at its last frames; an hour after, one is overdue."""
    assert not _said(Waits(ends_utc=ARRIVED - 15 * MINUTE))
    assert len(_said(Waits(ends_utc=ARRIVED - 60 * MINUTE))) == 2


def test_frame_that_comes_again_is_said():
    """After overdue frames the next one says that they come again."""
    state = _run()
    state, said = overdue(state, Waits(), DUE + MINUTE)
    assert said
    brought = looked(LAST + 5, CLEAN)
    state, said = advance(state, brought, brought.arrived_utc)
    assert [(a.what, a.cause) for a in said] == [(What.CLEARED, "overdue")]
    assert state.pace.said == 0


def test_clocks_that_differ_do_not_make_a_frame_overdue():
    """Timed by arrival where the capture's clock is an hour behind."""
    state = Alarms()
    for n in range(LAST + 1):
        brought = looked(n, CLEAN, late_s=3606.0)
        state, _ = advance(state, brought, brought.arrived_utc)
    arrived = ARRIVED + timedelta(hours=1)
    assert not overdue(state, Waits(), arrived + 5 * MINUTE)[1]
    assert overdue(state, Waits(), DUE + timedelta(hours=1, seconds=5))[1]


def test_suspended_machine_begins_to_wait_anew():
    """Two hours asleep are no reason to wake anybody."""
    woke = ARRIVED + timedelta(hours=2)
    state = resumed(_run(), woke)
    assert not overdue(state, Waits(), woke + MINUTE)[1]
    assert overdue(state, Waits(), woke + (DUE - ARRIVED) + MINUTE)[1]


def test_other_frames_show_the_rig_at_work():
    """A focus frame puts the next light off; after flats at dawn nothing is overdue."""
    later = ARRIVED + 5 * MINUTE
    focus = altered(frame_at(LAST + 1), kind=Kind.FOCUS, exposure_s=4.0)
    state = heard(_run(), focus, later)
    assert not overdue(state, Waits(), DUE + MINUTE)[1]
    assert overdue(state, Waits(), DUE + 7 * MINUTE)[1]
    flat = altered(focus, kind=Kind.FLAT)
    assert not overdue(heard(_run(), flat, later), Waits(), DUE + timedelta(hours=3))[1]


def test_first_gaps_are_waited_for_longer():
    """With two frames seen it is not known how this rig paces them: some wait on purpose."""
    state = told([CLEAN] * 2)[0]
    arrived = START + EVERY + timedelta(seconds=LENGTH_S + 6)
    assert not overdue(state, Waits(), arrived + 20 * MINUTE)[1]
    assert overdue(state, Waits(), arrived + 30 * MINUTE)[1]


def test_nothing_is_overdue_before_the_first_frame():
    """A watch that saw no frame yet expects none."""
    assert overdue(Alarms(), Waits(), START) == (Alarms(), [])


def test_meridian_is_when_an_almanac_has_it():
    """Against ephem's transit of the same star, within a minute (precession is left out)."""
    at = datetime(2026, 10, 9, 22, 0, tzinfo=UTC)
    frame = frame_at(0, ra_deg=23.46, dec_deg=30.66, taken_at_utc=at)
    found = waits_of(frame, (50.1, 14.4)).meridian_utc
    place = ephem.Observer()
    place.lat, place.lon, place.date, place.pressure = "50.1", "14.4", at.replace(tzinfo=None), 0
    star = ephem.FixedBody()
    star._ra, star._dec = ephem.degrees("23.46"), ephem.degrees("30.66")
    star._epoch = ephem.Date(at.replace(tzinfo=None))
    expected = ephem.Date(place.next_transit(star)).datetime().replace(tzinfo=UTC)
    assert found is not None
    assert abs(found - expected) < MINUTE
