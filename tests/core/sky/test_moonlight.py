"""Moonlight: Krisciunas and Schaefer 1991, PASP 103, 1033, and Meeus for the phase."""

from datetime import UTC, datetime, timedelta

import ephem
import numpy as np
import pytest

from runlog.core.sky.moon_phase import moon_phase_angles_deg
from runlog.core.sky.moonlight import (
    moonlight_nl,
    moonlight_of,
    quick_phase_angle_deg,
    surface_brightness_mag,
)
from tests.core.runs import altered, blank

EXAMPLE = {"phase_angle_deg": 45, "separation_deg": 50, "moon_zenith_deg": 70, "zenith_deg": 20}
DARK_MAG = 21.8


def test_the_papers_example():
    """Their example: 389.516 nL, 19.855 magnitudes per square arc second, of moonlight alone."""
    found = moonlight_nl(**EXAMPLE, extinction_mag=0.15)
    assert found == pytest.approx(389.516, abs=0.001)
    assert surface_brightness_mag(found) == pytest.approx(19.855, abs=0.001)


def test_moonlight_adds_to_a_dark_sky():
    """Over a sky of 21.8 it makes 19.68: 6.7 times as bright (the design's worked example)."""
    lit = 10 ** (-0.4 * surface_brightness_mag(moonlight_nl(**EXAMPLE, extinction_mag=0.15)))
    dark = 10 ** (-0.4 * DARK_MAG)
    assert (dark + lit) / dark == pytest.approx(7.0, rel=0.15)


def test_a_moon_that_has_set_lights_nothing():
    """Below the horizon it is 0, whatever its phase."""
    assert moonlight_nl(0, 90, 95, 20) == 0.0


def test_nearer_fuller_and_higher_is_brighter():
    """Light falls with the phase angle, the distance from the Moon, and the Moon's height."""
    here = moonlight_nl(**EXAMPLE)
    assert moonlight_nl(**EXAMPLE | {"phase_angle_deg": 10}) > here
    assert moonlight_nl(**EXAMPLE | {"separation_deg": 20}) > here
    assert moonlight_nl(**EXAMPLE | {"moon_zenith_deg": 40}) > here
    assert moonlight_nl(**EXAMPLE | {"separation_deg": 0}) < float("inf")


def test_phase_angle_of_meeus():
    """Astronomical Algorithms, example 48.a: i = 69.0756 degrees on 1992 April 12, 0h TD."""
    (found,) = moon_phase_angles_deg([datetime(1992, 4, 12, tzinfo=UTC)])
    assert found == pytest.approx(69.0756, abs=0.02)


def test_quick_phase_angle_of_meeus():
    """The same example by his 48.4, as he gives it: 68.88 degrees."""
    found = quick_phase_angle_deg(datetime(1992, 4, 12, tzinfo=UTC))
    assert found == pytest.approx(68.88, abs=0.01)


def test_the_quick_phase_is_near_enough_for_moonlight():
    """It is within 0.5 degrees in 30 years, full Moons too; the light within 1.5 % but for sickles.

    The model itself is good to 8 %, by its authors' account.
    """
    times = [datetime(1995, 1, 1, tzinfo=UTC) + timedelta(hours=61.7 * n) for n in range(4300)]
    quick, whole = [quick_phase_angle_deg(at) for at in times], moon_phase_angles_deg(times)
    assert quick == pytest.approx(whole, abs=0.5)
    for ours, full in zip(quick, whole, strict=True):
        error = 0.015 if full < 110 else 0.06
        assert moonlight_nl(ours, 70, 50, 50) == pytest.approx(
            moonlight_nl(full, 70, 50, 50), rel=error
        )


def test_phase_against_ephem():
    """The lit share (1 + cos i) / 2 over two months is ephem's, within half a percent."""
    times = [datetime(2026, 10, 1, tzinfo=UTC) + timedelta(hours=31 * n) for n in range(48)]
    lit = (1 + np.cos(np.radians(moon_phase_angles_deg(times)))) / 2
    theirs = [ephem.Moon(moment).moon_phase for moment in times]
    assert lit == pytest.approx(theirs, abs=0.005)


def test_the_moonlight_of_frames():
    """Guards what a frame's moonlight is reckoned from; unknown where any of it is unknown."""
    whole = {"moon_alt_deg": 40.0, "moon_sep_deg": 70.0, "airmass": 2.0}
    when = datetime(1992, 4, 12, tzinfo=UTC)  # Meeus, example 48.a: i = 69.0756 degrees

    def lit(start=when, **changes):
        frame = altered(blank("a", start, 300.0, "M 33", "L"), **whole | changes)
        return moonlight_of([frame])[0]

    # An airmass of 2 is a zenith distance of 60 degrees; the Moon at 40 degrees is 50 from it.
    assert lit() == pytest.approx(moonlight_nl(69.0756, 70, 50, 60), rel=0.01)
    assert lit(airmass=0.99) == pytest.approx(moonlight_nl(69.0756, 70, 50, 0), rel=0.01)
    assert [lit(moon_alt_deg=deg) for deg in (0.0, -3.0)] == [0.0, 0.0]
    assert [lit(**{name: None}) for name in whole] == [None, None, None]
    assert lit(start=None) is None


def test_frames_keep_their_own_moonlight():
    """Guards the order of frames, of which some are undated and for some the Moon is down."""
    shared = {"moon_alt_deg": 40.0, "moon_sep_deg": 70.0, "airmass": 1.2}
    starts = [datetime(2026, 10, day, tzinfo=UTC) for day in (10, 18, 26)]
    up = [altered(blank(str(at), at, 300.0, "M 33", "L"), **shared) for at in starts]
    down = altered(up[0], moon_alt_deg=-5.0)
    undated = altered(blank("u", None, 300.0, "M 33", "L"), **shared)
    alone = [moonlight_of([frame])[0] for frame in up]
    assert len(set(alone)) == 3
    assert moonlight_of([down, up[0], undated, up[1], up[2]]) == [0.0, alone[0], None, *alone[1:]]
