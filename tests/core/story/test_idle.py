"""Dark left unused: told to the frame, and told apart from dawn, a target not up, and the sky."""

import math
import re
from datetime import timedelta

import ephem
import pytest

from runlog.core.frame import Kind
from runlog.core.story.model import Night, Opinion, Part, Taken
from runlog.core.story.schedule import height_deg
from tests.core.runs import START, altered, changed, clean_run
from tests.core.story.telling import events, story, told

PLACE = 50.1, 14.35
DARK = START - timedelta(minutes=4), START + timedelta(hours=8)
RUN = [altered(f, ra_deg=23.46, dec_deg=30.66) for f in clean_run()]  # M 33, high all night
END = told(RUN)[-1].end


def minutes(count):
    return timedelta(minutes=count)


def schedule(frames=RUN, dark=DARK, **sky):
    return story(frames, dark, **({"place": PLACE} | sky)).verdicts[Part.SCHEDULE]


def idle(frames=RUN, dark=DARK, **sky):
    """Give late start and stop as (kind, frame number, minutes of dark)."""
    keys = [f.key for f in frames]
    kept = story(frames, dark, **({"place": PLACE} | sky)).events
    return [(e.kind, keys.index(e.first), round(e.cost_s / 60))
            for e in kept if e.kind in ("stopped", "late-start")]  # fmt: skip


def test_an_early_stop_is_told_to_the_frame():
    """The last frame's end, the dark that was left, and a verdict that weighs it."""
    (event,) = events(RUN, "stopped", DARK, place=PLACE)
    assert (event.first, event.last, event.frames) == (RUN[39].key, RUN[39].key, 0)
    assert (event.start, event.end) == (END, DARK[1])
    assert event.cost_s == (DARK[1] - END).total_seconds()
    assert event.text.startswith("the rig stopped at 23:31 UTC with 4 h 28 min of dark left: M 33 ")
    found = schedule()
    assert found.verdict is Opinion.POOR
    assert found.evidence.startswith("the rig stopped at 23:31 UTC with 4 h 28 min of dark left; ")
    assert "the rig's log" in found.check


@pytest.mark.parametrize("left", [-30, 0, 5, 10, 20])
def test_dawn_is_no_stop(left):
    """A run that ends with the dark, or leaves a frame or two of it, did not stop."""
    dark = DARK[0], END + minutes(left)
    assert idle(dark=dark) == []
    assert schedule(dark=dark).verdict is Opinion.GOOD


@pytest.mark.parametrize("into", [-60, 0, 15])
def test_dusk_is_no_late_start(into):
    """Focus and plate solving take their time after dark."""
    assert idle(dark=(START - minutes(into), END)) == []


def test_a_late_start():
    """The first frame's start against the beginning of the dark."""
    late = START - minutes(150), END + minutes(5)
    assert idle(dark=late) == [("late-start", 0, 150)]
    found = schedule(dark=late)
    assert found.verdict is Opinion.POOR
    assert found.evidence.startswith("the first frame began at 20:00 UTC, 2 h 30 min into the dark")


def altitude_deg(ra_deg, dec_deg, at):
    """Where ephem sees it, without refraction."""
    site = ephem.Observer()
    site.lat, site.lon, site.pressure = *map(math.radians, PLACE), 0
    site.date = at.replace(tzinfo=None)
    body = ephem.FixedBody()
    body._ra, body._dec = math.radians(ra_deg), math.radians(dec_deg)
    body.compute(site)
    return math.degrees(body.alt)


@pytest.mark.parametrize("ra_deg", range(0, 360, 40))
@pytest.mark.parametrize("dec_deg", [-20.0, 31.0, 80.0])
def test_altitude_is_ephems(ra_deg, dec_deg):
    """Against ephem, coordinates of 2000 taken as of date: within half a degree."""
    light = told([altered(RUN[0], ra_deg=float(ra_deg), dec_deg=dec_deg)])[0]
    here = height_deg(light, Night(place=PLACE), END)
    assert here == pytest.approx(altitude_deg(ra_deg, dec_deg, END), abs=0.5)


def where(altitude, *, rising, at):
    """Find by ephem the right ascension of what stands at an altitude then, of declination 10."""
    for ra in range(360):
        here, later = altitude_deg(ra, 10, at), altitude_deg(ra, 10, at + minutes(10))
        if abs(here - altitude) < 1 and (later > here) == rising:
            return float(ra)
    raise AssertionError


def test_a_target_that_set_is_no_stop():
    """The dark after it is said, and what to do with it; the rig is not blamed."""
    low = [altered(f, ra_deg=where(29, rising=False, at=END), dec_deg=10.0) for f in RUN]
    assert idle(low) == []
    found = schedule(low)
    assert found.verdict is Opinion.FAIR
    assert re.match("4 h 28 min of dark left when M 33 had sunk to (28|29|30) deg", found.evidence)
    assert found.check.startswith("what else to take after it has set")
    high = [altered(f, ra_deg=where(45, rising=False, at=END), dec_deg=10.0) for f in RUN]
    assert idle(high) == [("stopped", 39, 268)]
    rising = [altered(f, ra_deg=where(29, rising=True, at=END), dec_deg=10.0) for f in RUN]
    assert ("stopped", 39, 268) in idle(rising)


def test_a_target_that_had_to_rise_is_no_late_start():
    """A run that begins when its target is up did not begin late."""
    dark = START - minutes(150), END
    up = [altered(f, ra_deg=where(34, rising=True, at=START), dec_deg=10.0) for f in RUN]
    assert idle(up, dark) == []
    said = schedule(up, dark).evidence
    assert re.match("2 h 30 min of dark gone before M 33 had risen to (33|34|35) degrees", said)


def test_airmass_tells_where_there_are_no_coordinates():
    """A target at twice the zenith's air and sinking had set; one high up had not."""
    blank = clean_run()
    sinking = [altered(f, airmass=1.2 + 0.022 * n) for n, f in enumerate(blank)]
    assert idle(sinking) == []
    assert idle([altered(f, airmass=1.2 - 0.004 * n) for n, f in enumerate(blank)]) == [
        ("stopped", 39, 268)
    ]


def test_cloud_at_the_end_is_said_and_not_held_against_the_rig():
    """Stopped under cloud: the hours are told, the verdict is fair at worst."""
    run = changed(RUN, range(36, 40), transparency=0.4)
    (event,) = events(run, "stopped", DARK, place=PLACE)
    assert "stopped at 23:31 UTC under cloud, with 4 h 28 min of dark left" in event.text
    assert schedule(run).verdict is Opinion.FAIR
    late = changed(RUN, range(3), transparency=0.4)
    dark = START - minutes(150), END
    assert "under cloud" in events(late, "late-start", dark, place=PLACE)[0].text


def test_a_start_with_moonset_is_said():
    """Who waits for the Moon to set begins with its set."""
    dark, moon = (START - minutes(150), END), [(START - minutes(10), False)]
    (event,) = events(RUN, "late-start", dark, place=PLACE, moon=moon)
    assert "about when the Moon set (19:50)" in event.text
    assert schedule(dark=dark, moon=moon).verdict is Opinion.FAIR


def test_where_a_plan_may_have_ended_it_is_said():
    """As many frames in each filter: a plan's end, or chance; the dark is unused either way."""
    run = [altered(f, filter="LRGB"[n % 4]) for n, f in enumerate(RUN)]
    (event,) = events(run, "stopped", DARK, place=PLACE)
    assert "each of its filters had 10 frames, as where a plan ends: whether it did is unknown" in (
        event.text
    )


def test_darks_are_work():
    """A rig that went on with darks was not idle meanwhile."""
    darks = [Taken(Kind.DARK, END + minutes(6 * n), END + minutes(6 * n + 5)) for n in range(20)]
    (event,) = events(RUN, "stopped", DARK, place=PLACE, others=darks)
    assert event.cost_s == pytest.approx((DARK[1] - END).total_seconds() - 119 * 60)
    assert event.text.endswith("then 20 dark frames")
    all_night = [
        Taken(Kind.DARK, END + minutes(6 * n), END + minutes(6 * n + 5)) for n in range(44)
    ]
    assert idle(others=all_night) == []


def test_without_a_place_nothing_is_claimed():
    """No place: unknown, because; a white night has no dark to waste; a doubt stays one."""
    assert idle(dark=None, place=None) == []
    assert "unknown, because the place is not known" in schedule(dark=None, place=None).evidence
    assert "there was no dark to use" in schedule(dark=None).evidence
    assert idle(doubt="unknown, because the clock is in doubt") == []


@pytest.mark.parametrize("count", [1, 2])
def test_a_frame_or_two_show_no_stop(count):
    """A test shot is no unattended night."""
    assert idle(RUN[:count]) == []
    assert schedule(RUN[:count]).verdict is Opinion.UNKNOWN


def test_a_run_in_twilight_left_the_whole_dark():
    """A run that ends before it is dark stopped; the dark is counted, not the twilight."""
    dark = END + minutes(20), END + minutes(200)
    assert idle(dark=dark) == [("stopped", 39, 180)]
    before = START - minutes(200), START - minutes(20)
    assert idle(dark=before) == [("late-start", 0, 180)]


@pytest.mark.parametrize("length", [40, 90])
def test_short_nights(length):
    """Of a short dark a smaller part counts."""
    dark = END - minutes(length - 17), END + minutes(17)
    assert idle(dark=dark) == [("stopped", 39, 17)]
    assert schedule(dark=dark).verdict is not Opinion.GOOD


def test_a_pause_costs_the_dark_in_it():
    """Of a break that begins in twilight only the dark is lost; the flip in it is named."""
    later = minutes(120)
    run = changed(
        RUN, range(12, 40), pier_side="east", taken_at_utc=lambda f: f.header.taken_at_utc + later
    )
    (pause,) = events(run, "pause", (START + minutes(100), END + later), place=PLACE)
    gap_end = run[12].header.taken_at_utc
    assert pause.cost_s == (gap_end - START - minutes(100)).total_seconds()
    assert "the meridian flip among it" in pause.text
    assert schedule(run, (DARK[0], END + later)).verdict is Opinion.POOR
