"""Which frames are one sweep of the focuser, and what such a sweep says of itself."""

from datetime import timedelta

import pytest

from runlog.core.focus.slope import Slope, offsets_of
from runlog.core.focus.sweep import FEWEST_POSITIONS, GAP_S, Point, Sweep, point_of, sweeps_of
from tests.core.focus.test_slope import found
from tests.core.runs import START, altered, blank

V = (5.0, 4.0, 3.0, 2.0, 3.0, 4.0, 5.0)


def swept(positions, *, begun_s=0.0, every_s=20.0, **more):
    """Make focus frames of 5 s at some positions, one after the other."""
    values = {"focus_c": 8.0, "ambient_c": 6.0, "hfr_px": 2.0, "stars": 80, **more}
    frames = []
    for n, position in enumerate(positions):
        start = START + timedelta(seconds=begun_s + n * every_s)
        frame = blank(f"{begun_s:08.0f}{n:024d}", start, 5.0, "M 33", "L")
        frames.append(altered(frame, focus_pos=position, fwhm_px=V[n % 7], **values))
    return frames


UP = [11_000.0 + 40 * n for n in range(7)]


def positions(frames):
    """Give the positions of each sweep."""
    return [[p.position for p in sweep.points] for sweep in sweeps_of(frames)]


def test_a_frame_is_a_point_of_a_sweep():
    """Guards what is taken of a frame: end, relative error, and the focuser's own thermometer."""
    (frame,) = swept([11_000.0], fwhm_px_err=0.5)
    point = point_of(frame)
    assert (point.end_utc - point.at_utc).total_seconds() == 5.0
    assert (point.err, point.temperature_c, point.temperature_from) == (0.1, 8.0, "focuser")
    air = point_of(altered(frame, focus_c=None))
    assert (air.temperature_c, air.temperature_from) == (6.0, "air")
    none = point_of(altered(frame, focus_c=None, ambient_c=None))
    assert (none.temperature_c, none.temperature_from) == (None, None)
    cold = point_of(altered(frame, focus_c=0.0))
    assert (cold.temperature_c, cold.temperature_from) == (0.0, "focuser")


@pytest.mark.parametrize("silent", ["focus_pos", "taken_at_utc"])
def test_a_frame_without_a_place_or_a_time_is_no_point(silent):
    """Guards sweeps from frames of which nobody knows where or when they were."""
    (frame,) = swept([11_000.0])
    assert point_of(altered(frame, **{silent: None})) is None


def test_a_frame_without_stars_is_a_point_without_a_width():
    """Guards the ends of a sweep, too far out for stars: no width, and no error of one."""
    (frame,) = swept([11_000.0], fwhm_px_err=0.1)
    lost = point_of(altered(frame, fwhm_px=None, hfr_px=None))
    assert (lost.measured, lost.err) == (False, 0.0)


def test_a_sweep_is_one_whatever_the_order_of_its_frames():
    """Guards one sweep, with the rig's pixel as stored, in any order of scanning."""
    frames = swept(UP, focal_mm=540.0, pixel_um=3.76, binning_x=2)
    (sweep,) = sweeps_of(frames)
    assert sweeps_of(frames[::-1]) == [sweep]
    assert (sweep.focal_mm, sweep.pixel_um, sweep.positions) == (540.0, 7.52, 7)
    assert (sweep.approach, sweep.temperature) == ("rising", (8.0, "focuser"))


def test_what_parts_two_sweeps():
    """Guards a long break, another filter, a step back to begin anew, and a counter set anew."""
    assert positions(swept(UP[:2])) == []  # two frames are none
    late = 7 * 20.0 + GAP_S
    assert positions([*swept(UP), *swept(UP, begun_s=late)]) == [UP, UP]
    assert positions([*swept(UP), *swept(UP, begun_s=140.0, filter="Ha")]) == [UP, UP]
    assert positions([*swept(UP), *swept(UP, begun_s=140.0)]) == [UP, UP]
    far = [x + 20_000 for x in UP]
    assert positions([*swept(UP), *swept(far, begun_s=140.0)]) == [UP, far]


def test_a_break_of_five_minutes_parts_nothing():
    """Guards the bound: from the end of one exposure to the start of the next."""
    slow = swept(UP, every_s=5.0 + GAP_S)
    assert positions(slow) == [UP]
    assert positions(swept(UP, every_s=6.0 + GAP_S)) == []


def test_a_look_back_at_the_best_place_belongs_to_the_sweep():
    """Guards the last frames of a sweep, taken at the focus that was found."""
    assert positions(swept([*UP, UP[3]])) == [[*UP, UP[3]]]
    short = UP[: FEWEST_POSITIONS - 1]
    assert len(positions([*swept(UP), *swept(short, begun_s=140.0)])) == 1


@pytest.mark.parametrize(
    ("places", "way"),
    [((1, 2, 2, 3), "rising"), ((3, 2, 1), "falling"), ((1, 3, 2), "both ways"), ((2, 2), None)],
)
def test_the_way_a_focuser_went(places, way):
    """Guards the approach, which backlash hangs on."""
    points = tuple(Point(START, START, p, 2.0, 1.2, 0.0, 9, None, None) for p in places)
    sweep = Sweep("2026-10-09", "Wren", "L", points)
    assert (sweep.approach, sweep.temperature) == (way, None)


def test_a_slope_that_may_be_zero_leaves_its_doubt_in_an_offset():
    """Guards an interval that ends at exactly zero: half its width times the degrees apart."""
    sweeps = [found(11_000.0, 0.0), found(11_090.0, 10.0, "Ha")]
    (sure,) = offsets_of(sweeps, Slope(4.0, 4.0, 4.0))
    for low, high in ((0.0, 8.0), (-8.0, 0.0)):
        (doubtful,) = offsets_of(sweeps, Slope(4.0, low, high))
        assert doubtful.err_95**2 - sure.err_95**2 == pytest.approx((4.0 * 10.0) ** 2)
