"""The night's story from numbers: events at the right frames, verdicts with evidence."""

from dataclasses import replace
from datetime import timedelta

import pytest

from runlog.core.grading import grade_run
from runlog.core.policy import Policy
from runlog.core.story import Opinion, Part, Told, pace_of, tell
from tests.core.runs import START, changed, clean_run, trail


def story(frames):
    """Grade a run and tell its story."""
    verdicts = grade_run(frames, Policy())
    return tell(Told(f, verdicts[f.key], verdicts[f.key].grade) for f in frames)


def events(frames, kind):
    """Give the events of one kind as (first, last) frame numbers."""
    keys = [f.key for f in frames]
    return [(keys.index(e.first), keys.index(e.last)) for e in story(frames).events
            if e.kind == kind]  # fmt: skip


def test_a_clean_night_has_no_events_and_good_parts():
    """Nothing is invented on a good night."""
    told = story(clean_run())
    assert told.events == ()
    assert {part: v.verdict for part, v in told.verdicts.items()} == dict.fromkeys(
        Part, Opinion.GOOD
    )
    assert told.to_check == ()


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("cloud", {"transparency": 0.5}),
        ("focus-drift", {"fwhm_px": 3.4, "hfr_px": 0.53 * 3.4}),
        ("trailing", {"doubled_share": 0.5, "doubled_px": 8.0}),
        ("cooling", {"sensor_c": -4.0}),
    ],
)
def test_a_stretch_is_one_event_from_its_first_to_its_last_frame(kind, values):
    """A stretch of trouble is told once, with its frames and what it cost."""
    run = changed(clean_run(), range(10, 18), **values)
    assert events(run, kind) == [(10, 17)]


def test_one_good_frame_does_not_split_a_stretch():
    """Cloud with a short hole is one passage."""
    run = changed(clean_run(), [10, 11, 13, 14], transparency=0.5)
    assert events(run, "cloud") == [(10, 14)]


def test_cost_is_the_exposure_time_lost():
    """Four rejected frames of 5 minutes cost 20 minutes."""
    run = changed(clean_run(), range(10, 14), transparency=0.3)
    (cloud,) = [e for e in story(run).events if e.kind == "cloud"]
    assert cloud.cost_s == 4 * 300


def test_trails_are_the_mounts():
    """A burst of trailing is named, and tracking gets the blame."""
    run = clean_run()
    for i in range(20, 25):
        run[i] = trail(run[i], 2.0)
    assert events(run, "trailing") == [(20, 24)]
    told = story(run)
    assert told.verdicts[Part.TRACKING].verdict is Opinion.POOR
    assert told.to_check[0].startswith("tracking:")


def test_refocus_ends_a_drift():
    """The focuser's move after which stars are narrow again is told."""
    run = changed(clean_run(), range(10, 20), fwhm_px=3.4, hfr_px=0.53 * 3.4)
    run = changed(run, range(20, 40), focus_pos=11150.0)
    assert events(run, "refocus") == [(20, 20)]


def test_a_jump_is_told_and_a_single_stray_frame_is_not_one():
    """A field that jumps and stays away is a jump; one that comes back is not."""
    run = changed(clean_run(), range(15, 40), shift_x_px=lambda f: f.shift_x_px + 90.0)
    assert events(run, "jump") == [(15, 15)]
    assert story(run).verdicts[Part.POINTING].verdict is Opinion.POOR
    stray = changed(clean_run(), [15], shift_x_px=lambda f: f.shift_x_px + 90.0)
    assert events(stray, "jump") == []


def test_flip_by_pier_side_and_by_rotation():
    """A flip is found by the pier side, or by half a turn of the field without it."""
    run = changed(clean_run(), range(22, 40), pier_side="east", rotation_deg=180.0)
    assert events(run, "flip") == [(22, 22)]
    silent = [replace(f, pier_side=None) for f in run]
    assert events(silent, "flip") == [(22, 22)]


def test_steady_drift_and_no_dithering():
    """A field that creeps is a drift; one that never moves was not dithered."""
    run = [replace(f, shift_x_px=3.0 * i, shift_y_px=0.0) for i, f in enumerate(clean_run())]
    assert [e.kind for e in story(run).events] == ["drift"]
    still = [replace(f, shift_x_px=0.1, shift_y_px=0.0) for f in clean_run()]
    assert [e.kind for e in story(still).events] == ["no-dither"]


def test_a_pause_costs_its_own_length():
    """Forty minutes without a light frame are a pause of about forty minutes."""
    later = timedelta(minutes=40)
    run = [
        replace(f, taken_at_utc=f.taken_at_utc + later) if i >= 12 else f
        for i, f in enumerate(clean_run())
    ]
    (pause,) = [e for e in story(run).events if e.kind == "pause"]
    assert pause.cost_s == pytest.approx(2400 + 18)


def test_dew_is_not_a_passing_cloud():
    """Halos that grow are dew, also where the light falls as under a cloud."""
    run = clean_run()
    for n, i in enumerate(range(24, 40)):
        run[i] = replace(
            run[i], transparency=0.78 - 0.03 * n, hfr_px=run[i].hfr_px * (1.16 + 0.04 * n)
        )
    assert events(run, "dew") == [(24, 39)]
    assert events(run, "cloud") == []


def test_moonrise_moonset_and_dawn():
    """The Moon's rising and setting and the dawn come from the sky, not from the frames."""
    run = changed(clean_run(), range(20), moon_alt_deg=-5.0)
    run = changed(run, range(20, 40), moon_alt_deg=5.0)
    assert events(run, "moonrise") == [(20, 20)]
    run = changed(clean_run(), range(37, 40), sun_alt_deg=-13.0, background_adu=1700.0)
    assert events(run, "dawn") == [(37, 39)]


def test_silence_is_unknown_and_says_why():
    """Missing temperatures, places and field maps give unknown verdicts, never invented ones."""
    run = [
        replace(f, sensor_c=None, set_c=None, matched=None, shift_x_px=None, shift_y_px=None,
                tilt=None, curvature=None)
        for f in clean_run()
    ]  # fmt: skip
    told = story(run).verdicts
    for part in (Part.CAMERA, Part.POINTING, Part.OPTICS):
        assert told[part].verdict is Opinion.UNKNOWN
        assert told[part].evidence.startswith("unknown, because ")


def test_the_pace_of_71_frames():
    """71 x 5 min, 12 s after each: 22,152 s, 96 % of them open (common practice, no source).

    The last read-out comes after the last exposure: from first start to last end it is 12 s less.
    """
    run = clean_run(71)
    run = [replace(f, taken_at_utc=START + timedelta(seconds=312 * i)) for i, f in enumerate(run)]
    pace = pace_of([Told(f, None, None) for f in run])
    assert pace.open_shutter_s == 355 * 60
    assert pace.elapsed_s + 12 == 22_152
    assert round(pace.open_shutter_s / (pace.elapsed_s + 12), 2) == 0.96
    assert pace.overhead_median_s == 12
