"""Lines that lie at the same pixels in other exposures are no trails."""

from datetime import UTC, datetime, timedelta
from math import cos, radians, sin

import pytest

from runlog.core.grading.recurring_lines import Seen, coincide, own_lines

START = datetime(2026, 10, 9, 20, tzinfo=UTC)
SHAPE = (3000, 2000, 1, 1)
COLUMN = (1200.0, 0.0, 1201.0, 1999.0)
TRAIL = (100.0, 200.0, 2800.0, 1500.0)


def seen(k, *lines, run=1, start="own", counted=True, geometry=SHAPE):
    """One frame, one every five minutes."""
    when = START + timedelta(minutes=5 * k) if start == "own" else start
    return Seen(f"{run}-{k}", run, geometry, when, counted, lines)


def counted(counts):
    """Tell how many exposures a run has of a geometry."""
    return lambda run, geometry: counts.get((run, geometry), 0)


def test_what_every_frame_shows_is_left_out_and_a_trail_stays():
    """Guards a defect of the camera beside a satellite in one frame, in any order of frames."""
    night = [seen(k, COLUMN, *([TRAIL] if k == 3 else [])) for k in range(10)]
    found = own_lines(night, counted({(1, SHAPE): 10}))
    assert found == own_lines(night[::-1], counted({(1, SHAPE): 10}))
    assert {key: lines for key, lines in found.items() if lines} == {"1-3": (TRAIL,)}


@pytest.mark.parametrize(("others", "left"), [(1, 1), (2, 0)])
def test_one_other_frame_of_many_may_be_chance(others, left):
    """Guards parallel trails of satellites in one ring: two over one another are still trails."""
    night = [seen(k, COLUMN) for k in range(1 + others)]
    assert len(own_lines(night, counted({(1, SHAPE): 30}))["1-0"]) == left


def test_parallel_trails_of_a_busy_night_stay():
    """Guards a night of 100 frames in which one trail lies over three others by chance."""
    night = [seen(k, TRAIL) for k in range(4)]
    assert all(own_lines(night, counted({(1, SHAPE): 100})).values())


def test_a_copy_is_no_other_exposure():
    """Guards calibrated copies, and frames without a time, which may be copies."""
    copies = [seen(0, TRAIL), seen(0, TRAIL, counted=False)]
    undated = [seen(k, TRAIL, start=None) for k in range(3)]
    for frames in (copies, undated):
        assert all(own_lines(frames, counted({(1, SHAPE): 1})).values())


def test_another_night_tells_and_another_geometry_does_not():
    """Guards a night of one frame: a defect is known from other nights of the same pixels."""
    other = [seen(300 + k, COLUMN, run=2) for k in range(5)]
    binned = [seen(600 + k, COLUMN, run=3, geometry=(1500, 1000, 2, 2)) for k in range(5)]
    exposures = counted({(1, SHAPE): 1, (2, SHAPE): 5, (3, (1500, 1000, 2, 2)): 5})
    assert own_lines([seen(0, COLUMN), *other], exposures)["1-0"] == ()
    assert own_lines([seen(0, COLUMN), *binned], exposures)["1-0"] == (COLUMN,)


def test_the_next_piece_of_a_slow_trail_lies_beside_the_first():
    """Guards a satellite that passes from one exposure to the next along one line."""
    first, second = (0.0, 500.0, 1400.0, 700.0), (1400.0, 700.0, 2800.0, 900.0)
    assert not coincide(first, second)
    assert coincide(first, (200.0, 528.6, 1600.0, 728.6))
    assert not coincide(first, (0.0, 503.0, 1400.0, 703.0))


def turned(line, degrees):
    """Turn a line about a corner of the frame."""
    c, s = cos(radians(degrees)), sin(radians(degrees))
    x0, y0, x1, y1 = line
    return (c * x0 - s * y0, s * x0 + c * y0, c * x1 - s * y1, s * x1 + c * y1)


@pytest.mark.parametrize("degrees", [0, 17, 45, 73, 90, 135, 180, 260])
@pytest.mark.parametrize(
    ("begins", "ends", "same"), [(0, 1000, True), (300, 1300, True), (800, 1800, False)]
)
def test_lines_coincide_whichever_way_they_run(degrees, begins, ends, same):
    """Guards columns and slanted seams like rows: only how far two lines overlap counts."""
    one = turned((0.0, 500.0, 1000.0, 500.0), degrees)
    other = turned((begins, 500.5, ends, 500.5), degrees)
    assert coincide(one, other) is same
    assert coincide((*other[2:], *other[:2]), one) is same
