"""What one run says to other nights, and how those nights are named."""

from datetime import timedelta

import pytest

from runlog.core.grading.history import Earlier, epoch, first_before, last_after, named_nights
from runlog.core.grading.summary import camera_angle, setting_in_words, summaries
from tests.core.runs import EVERY, START, altered, changed, clean_run

NIGHT = clean_run(20)


def summed(frames, usable=None):
    """Sum up frames of one filter and setting, all usable unless said otherwise."""
    (found,) = summaries(frames, {f.key for f in frames} if usable is None else usable)
    return found


def angles(*degrees):
    """Make frames whose camera stood at some position angles."""
    return [altered(NIGHT[0], sky_angle_deg=deg) for deg in degrees]


@pytest.mark.parametrize(
    ("seen", "middle"),
    [((10.0, 20.0), 15.0), ((179.0, 3.0), 1.0), ((30.0, 210.0), 30.0), ((30.0, None), 30.0)],
)
def test_the_angle_of_the_camera_is_the_middle_modulo_half_a_turn(seen, middle):
    """Guards the mean over the ends of the circle, and over a flip, which turns by half of one."""
    assert camera_angle(angles(*seen)) == pytest.approx(middle)


def test_a_camera_that_was_turned_about_has_no_angle():
    """Guards against a middle of angles that have none, and of frames that tell none."""
    assert camera_angle(angles(0.0, 90.0)) is None
    assert camera_angle(angles(None, None)) is None


def test_the_time_between_exposures():
    """Guards the overhead: 318 s from start to start of 300 s exposures are 18 s, in any order."""
    assert timedelta(seconds=318) == EVERY
    assert summed(NIGHT).overhead_s == 18.0
    assert summed(NIGHT[::-1]).overhead_s == 18.0
    undated = altered(NIGHT[7], taken_at_utc=None)
    assert summed([*NIGHT[:7], undated, *NIGHT[8:]]).overhead_s == 18.0


def test_exposures_that_overlap_leave_no_time_between():
    """Guards frames whose clock or length is wrong: less than none is none."""
    assert summed(changed(NIGHT, range(20), exposure_s=400.0)).overhead_s == 0.0


def test_noise_is_of_the_commonest_length_alone():
    """Guards noise and hot pixels, which hang on the exposure; of equally common the longest."""
    short = changed(NIGHT, range(8), exposure_s=60.0, hot_pixels_ppm=10.0, noise_adu=5.0)
    found = summed(changed(short, range(8, 20), hot_pixels_ppm=50.0))
    assert (found.exposure_s, found.hot_pixels_ppm, found.noise_adu) == (300.0, 50.0, 20.0)
    half = changed(NIGHT, range(10), exposure_s=60.0)
    assert summed(half).exposure_s == 300.0


def test_only_the_newest_measures_speak():
    """Guards against a mixture of two versions of measuring in one summary."""
    old = changed(NIGHT, range(12), fwhm_px=9.0)
    found = summed(changed(old, range(12, 20), measured_with=2))
    assert (found.measured_with, found.frames, found.usable) == (2, 8, 8)
    assert found.fwhm_px == pytest.approx(2.3, abs=0.3)


def test_five_usable_frames_speak_for_a_night():
    """Guards the fewest frames that other nights are held against, and the share of them."""
    keys = [f.key for f in NIGHT]
    assert [summed(NIGHT, keys[:n]).speaks for n in (4, 5)] == [False, True]
    assert summed(NIGHT, keys[:5]).share_usable == 0.25


def test_the_light_of_a_field_is_of_five_frames():
    """Guards the share of light by field: four frames of another field say nothing."""
    two = changed(NIGHT, range(4), matched_to="e" * 32)
    assert [light.frames for light in summed(two).lights] == [16]
    assert [light.frames for light in summed(changed(NIGHT, range(5), matched_to="e")).lights] == [
        *(5, 15),
    ]


def test_stars_are_stretched_by_side_of_the_pier():
    """Guards the two sides of a mount: each has its own stretch, where enough frames show it."""
    sides = changed(NIGHT, range(10), pier_side="east", elongation_deg=120.0)
    found = summed(sides).elongations
    assert [(one.side, one.frames) for one in found] == [("east", 10), ("west", 10)]
    assert found[0].ellipticity == pytest.approx(-found[1].ellipticity)  # 90 degrees apart


def test_settings_in_words_leave_out_what_is_not_said():
    """Guards what makes two nights comparable: binning, gain, offset and mode, 0 included."""
    assert setting_in_words((2, 2), 0.0, 0.0, "low noise") == "bin 2x2, gain 0, offset 0, low noise"
    assert setting_in_words((1, 1), None, None, None) == "bin 1x1"


@pytest.mark.parametrize(
    ("nights", "later", "said"),
    [
        (3, 0, "the last 3 nights'"),
        (1, 0, "the last night's"),
        (2, 2, "the next 2 nights'"),
        (1, 1, "the next night's"),
        (3, 1, "3 nights' (1 of them later)"),
    ],
)
def test_nights_are_named_by_where_they_lie(nights, later, said):
    """Guards the words before what was usual: earlier nights, later ones, or both."""
    assert named_nights(nights, later) == said
    assert Earlier(nights, 2.0, 1.5, later).named == said


def test_a_change_ends_what_was_before_it():
    """Guards the night of a change itself, which belongs to the rig as it is from then on."""
    changes = ["2026-03-01", "2026-06-01"]
    assert epoch("2026-03-01", changes) == ("2026-03-01", "2026-06-01")
    assert epoch("2026-02-28", changes)[0] == ""
    assert epoch("2026-06-01", changes)[0] == "2026-06-01"


def test_sixty_nights_each_way():
    """Guards that a night may ask a later one exactly where that one may speak of it."""
    night = START.date().isoformat()
    assert first_before(last_after(night)) == night
    assert (last_after("2026-01-01"), first_before("2026-03-02")) == ("2026-03-02", "2026-01-01")
