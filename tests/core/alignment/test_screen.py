"""Nights that surely cost nothing are told without the fit; none that costs something is."""

import numpy as np

from runlog.core.alignment.night import Standpoint, alignment_of
from runlog.core.alignment.screen import may_cost
from tests.core.alignment.drawn import angles, frames

PLACE = Standpoint(50.0, 16.0, 1, 2500.0)


def drawn(seed):
    """Draw a night: any axis, height, arc and length of exposure, through the exact mount."""
    random = np.random.default_rng(seed)
    size, way = 10 ** random.uniform(-0.5, 2.2), random.uniform(0, 2 * np.pi)
    first, arc = random.uniform(-60, 20), random.uniform(16, 90)
    exposure_s = float(random.choice([60.0, 300.0, 600.0]))
    hours = np.arange(first, first + arc, max(exposure_s / 240, 1.2))
    dec = float(random.uniform(-5, 65))
    turned = angles(hours, dec, 50.0, size * np.cos(way), size * np.sin(way))
    turned = turned + random.normal(0, 2 / 3600, len(turned))
    return frames(hours, turned, dec, exposure_s=exposure_s)


def test_no_night_that_costs_something_is_passed_over():
    """60 nights by rotation matrices: all that are "worth it" are let through, most idle not."""
    costly = idle = spared = 0
    for seed in range(60):
        night = drawn(seed)
        told = alignment_of(night, PLACE)
        if told.verdict == "worth it":
            costly += 1
            assert may_cost(night), (seed, told.axis)
        elif told.verdict == "leave it" and told.trail_px < 0.05:
            idle += 1
            spared += not may_cost(night)
    assert costly > 10
    assert spared >= 0.9 * idle > 8


def test_frames_that_tell_no_angle_cost_nothing():
    """One frame, none that was laid on another, or two at one time: nothing is claimed."""
    hours = np.array([0.0, 0.0])
    assert not may_cost([])
    assert not may_cost(frames(hours[:1], [0.0], 40.0))
    assert not may_cost(frames(hours, [0.0, 3.0], 40.0))
