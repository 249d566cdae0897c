"""Wind and tracking: directions that change from frame to frame, and ones that do not."""

import numpy as np
import pytest

from runlog.core.story.model import Part
from tests.core.runs import altered, clean_run, trail
from tests.core.story.telling import events, story, told


def blown(frames, angles):
    """Trail some frames, each in a direction of its own."""
    out = list(frames)
    for n, angle in angles.items():
        out[n] = altered(trail(out[n], 1.6), elongation_deg=float(angle) % 180)
    return out


def test_six_single_gusts_are_one_event():
    """Gusts that come singly are told once, with their number and their time."""
    at = dict(zip([4, 9, 15, 22, 30, 36], [10, 75, 130, 40, 160, 95], strict=True))
    run = blown(clean_run(), at)
    (wind,) = events(run, "wind")
    assert events(run, "trailing") == []
    assert (wind.first, wind.last, wind.frames) == (run[4].key, run[36].key, 6)
    assert wind.cost_s == 6 * 300
    assert (wind.start, wind.end) == (run[4].header.taken_at_utc, told(run)[36].end)
    assert wind.text.startswith("six gusts between 20:21 and 23:15 UTC")
    tracking = story(run).verdicts[Part.TRACKING]
    assert "wind on 6 frames" in tracking.evidence
    assert "shelter" in tracking.check


def test_an_hour_of_wind_is_one_event():
    """Frames in a row, each stretched another way, are wind, not tracking."""
    angles = np.random.default_rng(3).uniform(0, 180, 10)
    run = blown(clean_run(), dict(enumerate(angles, start=12)))
    (wind,) = events(run, "wind")
    assert (wind.first, wind.last) == (run[12].key, run[21].key)
    assert wind.text.startswith("wind on 10 frames between")


@pytest.mark.parametrize("seed", range(20))
def test_tracking_is_no_wind(seed):
    """Trails that lie one way within 8 degrees are told stretch by stretch, as they were; on the
    other side of the pier they lie the same way on the detector."""
    random = np.random.default_rng(seed)
    which = [3, 8, 9, 10, 17, 25, 33]
    middle = random.uniform(0, 180)
    run = blown(clean_run(), {n: middle + random.normal(0, 8) for n in which})
    run = [altered(f, pier_side="east", rotation_deg=180.0) if n > 20 else f
           for n, f in enumerate(run)]  # fmt: skip
    assert events(run, "wind") == []
    keys = [f.key for f in run]
    assert [keys.index(e.first) for e in events(run, "trailing")] == [3, 8, 17, 25, 33]


def test_a_burst_of_bad_tracking_among_gusts_stays_the_mounts():
    """Five frames in a row all one way are trailing; the gusts around them are wind."""
    angles = {2: 20, 7: 110, 30: 65, 35: 150} | dict.fromkeys(range(15, 20), 45)
    run = blown(clean_run(), angles)
    (wind,) = events(run, "wind")
    (burst,) = events(run, "trailing")
    assert (burst.first, burst.last, burst.cost_s) == (run[15].key, run[19].key, 1500)
    assert (wind.frames, wind.cost_s) == (4, 1200)


def test_two_trails_and_settling_are_no_wind():
    """Two directions differ by chance; after each fourth frame's dither guiding settles any way."""
    assert events(blown(clean_run(), {5: 10, 25: 100}), "wind") == []
    run = [
        altered(f, shift_x_px=15.0 * (n // 4) + 0.1 * (n % 2), shift_y_px=0.0)
        for n, f in enumerate(clean_run())
    ]
    run = blown(run, {8: 10, 16: 100, 28: 55})
    assert events(run, "wind") == []
    assert all("right after a dither" in e.text for e in events(run, "trailing"))
