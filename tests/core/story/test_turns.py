"""A camera that turned: told at the frame; flips, mosaics and field rotation are no turns."""

import numpy as np
import pytest

from runlog.core.story.turns import Stood
from tests.core.runs import REFERENCE, altered, changed, clean_run
from tests.core.story.telling import events, story


def turned(frames, angles):
    """Give frames their angles on the reference."""
    return [altered(f, rotation_deg=float((a + 180) % 360 - 180))
            for f, a in zip(frames, angles, strict=True)]  # fmt: skip


def noise(count=40, seed=1):
    return np.random.default_rng(seed).normal(0.0, 0.05, count)


@pytest.mark.parametrize("by", [1.3, -2.3, 11.0])
def test_a_turn_is_told_to_the_frame(by):
    """A step of the angle that stays is a turn, and says what it means for the flats."""
    run = turned(clean_run(), noise() + by * (np.arange(40) >= 15))
    (event,) = events(run, "turned")
    assert event.first == event.last == run[15].key
    assert event.text == (
        f"the camera turned by {abs(by):.1f} degrees at 21:19 UTC: flats of before do not fit"
    )
    assert any("new flats" in str(c) for c in story(run).to_check)


def test_a_turn_with_the_flip_and_in_filters_in_turn_is_one():
    """Half a turn is the flip's; what is left over is the camera's, told once over all filters."""
    run = turned(clean_run(), noise() + 181.8 * (np.arange(40) >= 15))
    run = [altered(f, filter="LR"[n % 2], matched_to="lr"[n % 2] * 32) for n, f in enumerate(run)]
    (event,) = events(run, "turned")
    assert event.first in (run[15].key, run[16].key)
    assert "by 1.8 degrees" in event.text


@pytest.mark.parametrize("seed", range(10))
def test_no_turn_is_invented(seed):
    """Flips, one frame laid on badly, panels with angles of their own, a rotator that was told to
    turn: none is a camera that turned by itself."""
    flip = turned(clean_run(), noise(seed=seed) + 179.7 * (np.arange(40) >= 19))
    bad = turned(clean_run(), noise(seed=seed) + 3.0 * (np.arange(40) == 19))
    last = turned(clean_run(), noise(seed=seed) + 3.0 * (np.arange(40) == 39))
    panels = turned(clean_run(), noise(seed=seed) + 4.0 * (np.arange(40) >= 20))
    panels = changed(panels, range(20, 40), matched_to="e" * 32)
    meant = turned(clean_run(), noise(seed=seed) + 5.0 * (np.arange(40) >= 20))
    meant = [altered(f, rotator_deg=40.0 + 5.0 * (n >= 20)) for n, f in enumerate(meant)]
    for run in (flip, bad, last, panels, meant):
        assert events(run, "turned") == []


@pytest.mark.parametrize("pause", [0, 20])
def test_field_rotation_is_the_polar_axis(pause):
    """A field that turns slowly by 1.6 degrees is polar alignment, also across a break."""
    frames = clean_run()
    run = turned(frames, noise() + np.linspace(0, 1.6, 40))
    if pause:
        run = run[:5] + run[5 + pause :]
    assert events(run, "turned") == []
    (event,) = events(run, "drift")
    assert "field rotation" in event.text
    assert any("polar alignment" in str(c) for c in story(run).to_check)


def test_a_camera_turned_since_the_night_before():
    """The angle is held against the last night that shows the same field, half turns aside."""
    run = turned(clean_run(), noise() + 2.3)
    then = {REFERENCE: Stood("2026-10-05", 180.0)}
    (event,) = events(run, "turned", stood=then)
    assert event.first == run[0].key
    assert "turned by 2.3 degrees since the night of 2026-10-05" in event.text
    assert events(run, "turned", stood={REFERENCE: Stood("2026-10-05", 2.0)}) == []
    assert events(run, "turned", stood={"e" * 32: Stood("2026-10-05", 0.0)}) == []


@pytest.mark.parametrize(("rotator_deg", "told"), [(42.3, False), (37.7, False), (40.0, True)])
def test_a_rotator_that_was_turned_since_is_no_camera_that_turned(rotator_deg, told):
    """What the header's rotator turned between the nights was meant, whichever way it counts."""
    run = turned(clean_run(), noise() + 2.3)
    run = [altered(frame, rotator_deg=rotator_deg) for frame in run]
    then = {REFERENCE: Stood("2026-10-05", 0.0, 40.0)}
    assert bool(events(run, "turned", stood=then)) is told


def test_how_far_a_field_turned_is_told():
    """Guards the sum of a slow turn: 0.06 degrees a frame over 40 frames, 318 s from each to each.

    By hand: the middles of three at both ends lie 37 steps apart, 2.22 degrees; 39 steps of time.
    """
    run = [altered(f, rotation_deg=0.06 * n) for n, f in enumerate(clean_run())]
    (event,) = [e for e in events(run, "drift") if "field rotation" in e.text]
    assert event.text.startswith("the field turned slowly, by 2.2 degrees in 3.4 h")
