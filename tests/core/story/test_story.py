"""The night's story from numbers: events at the right frames, verdicts with evidence."""

from datetime import timedelta

import pytest

from runlog.core.frame import Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.sensor.words import CAMERA_OR_CABLE
from runlog.core.story.model import GradedLight, Opinion, Part
from runlog.core.story.tell import pace_of, tell
from tests.core.runs import START, altered, changed, clean_run, trail


def story(frames, dark=None, **sky):
    """Grade a run and tell its story."""
    verdicts = grade_run(frames, Policy())
    told = (GradedLight(f, verdicts[f.key], verdicts[f.key].grade) for f in frames)
    return tell(told, Policy(), dark, **sky)


def events(frames, kind, **sky):
    """Give the events of one kind as (first, last) frame numbers."""
    keys = [f.key for f in frames]
    return [(keys.index(e.first), keys.index(e.last)) for e in story(frames, **sky).events
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
    assert told.to_check[0].part is Part.TRACKING


def test_refocus_ends_a_drift():
    """The focuser's move after which stars are narrow again is told."""
    run = changed(clean_run(), range(10, 20), fwhm_px=3.4, hfr_px=0.53 * 3.4)
    run = changed(run, range(20, 40), focus_pos=11150.0)
    assert events(run, "refocus") == [(20, 20)]


def test_a_jump_is_told_and_a_single_stray_frame_is_not_one():
    """A field that jumps and stays away is a jump; one that comes back is not."""
    run = changed(clean_run(), range(15, 40), shift_x_px=lambda f: f.placement.shift_x_px + 90.0)
    assert events(run, "jump") == [(15, 15)]
    assert story(run).verdicts[Part.POINTING].verdict is Opinion.POOR
    stray = changed(clean_run(), [15], shift_x_px=lambda f: f.placement.shift_x_px + 90.0)
    assert events(stray, "jump") == []


def test_flip_by_pier_side_and_by_rotation():
    """A flip is found by the pier side, or by half a turn of the field without it."""
    run = changed(clean_run(), range(22, 40), pier_side="east", rotation_deg=180.0)
    assert events(run, "flip") == [(22, 22)]
    silent = [altered(f, pier_side=None) for f in run]
    assert events(silent, "flip") == [(22, 22)]


def test_steady_drift_and_no_dithering():
    """A field that creeps is a drift; one that never moves was not dithered."""
    run = [altered(f, shift_x_px=3.0 * i, shift_y_px=0.0) for i, f in enumerate(clean_run())]
    assert [e.kind for e in story(run).events] == ["drift"]
    still = [altered(f, shift_x_px=0.1, shift_y_px=0.0) for f in clean_run()]
    assert [e.kind for e in story(still).events] == ["no-dither"]


def test_a_pause_costs_its_own_length():
    """Forty minutes without a light frame are a pause of about forty minutes."""
    later = timedelta(minutes=40)
    run = [
        altered(f, taken_at_utc=f.header.taken_at_utc + later) if i >= 12 else f
        for i, f in enumerate(clean_run())
    ]
    (pause,) = [e for e in story(run).events if e.kind == "pause"]
    assert pause.cost_s == pytest.approx(2400 + 18)


def test_dew_is_not_a_passing_cloud():
    """Halos that grow are dew, also where the light falls as under a cloud."""
    run = clean_run()
    for n, i in enumerate(range(24, 40)):
        run[i] = altered(
            run[i],
            transparency=0.78 - 0.03 * n,
            hfr_px=run[i].measurement.hfr_px * (1.16 + 0.04 * n),
        )
    assert events(run, "dew") == [(24, 39)]
    assert events(run, "cloud") == []


def test_moonrise_and_moonset_have_their_own_moment():
    """The Moon rises when the almanac says so, not with the next frame; outside the run it is no
    event."""
    run = clean_run()
    rose = run[19].header.taken_at_utc + timedelta(seconds=200)
    moon = [(run[0].header.taken_at_utc - timedelta(hours=1), False), (rose, True),
            (run[-1].header.taken_at_utc + timedelta(hours=1), False)]  # fmt: skip
    (event,) = [e for e in story(run, moon=moon).events if e.kind.startswith("moon")]
    assert (event.kind, event.start, event.end) == ("moonrise", rose, rose)
    assert events(run, "moonrise", moon=moon) == [(20, 20)]


LIT = {"background_adu": 1700.0}


def test_dawn_and_evening_twilight():
    """Bright frames before midnight are dusk, after it dawn, with or without a known site."""
    run = changed(clean_run(), range(3), sun_alt_deg=lambda f: -10.0 - int(f.key, 16), **LIT)
    run = changed(run, range(37, 40), sun_alt_deg=lambda f: -50.0 + int(f.key, 16), **LIT)
    told = story(run)
    assert [e.text for e in told.events] == [
        "evening twilight: the Sun 10 degrees below the horizon at the first frame",
        "dawn: the Sun 11 degrees below the horizon at the last frame",
    ]
    assert events(run, "dusk") == [(0, 2)]
    assert events(run, "dawn") == [(37, 39)]
    alone = run[:3]
    assert [e.kind for e in story(run, midnight=START + timedelta(hours=2)).events] == [
        "dusk", "dawn",
    ]  # fmt: skip
    assert "dawn" not in {e.kind for e in story(alone).events}


def test_daylight_is_no_dawn():
    """Frames with the Sun high are told as daylight, never as a Sun minus 11 degrees down."""
    run = changed(clean_run(), range(30, 40), sun_alt_deg=11.0, **LIT)
    (event,) = [e for e in story(run).events if e.kind in ("daylight", "dawn", "dusk")]
    assert event.kind == "daylight"
    assert "the Sun 11 degrees above the horizon" in event.text
    assert all("degrees down" not in f.evidence
               for v in grade_run(run, Policy()).values() for f in v.faults)  # fmt: skip


def test_silence_is_unknown_and_says_why():
    """Missing temperatures, places and field maps give unknown verdicts, never invented ones."""
    run = [
        altered(f, sensor_c=None, set_c=None, matched_to=None, shift_x_px=None, shift_y_px=None,
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
    run = [altered(f, taken_at_utc=START + timedelta(seconds=312 * i)) for i, f in enumerate(run)]
    pace = pace_of([GradedLight(f, None, None) for f in run])
    assert pace.open_shutter_s == 355 * 60
    assert pace.elapsed_s + 12 == 22_152
    assert round(pace.open_shutter_s / (pace.elapsed_s + 12), 2) == 0.96
    assert pace.overhead_median_s == 12


# --- focus ----------------------------------------------------------------------------------


def drifting(run, first, last, most=1.8):
    """Let stars grow and their profile flatten from one frame to another."""
    out = list(run)
    for n in range(first, last + 1):
        share = (n - first + 1) / (last - first + 1)
        width = 2.3 * (1 + (most - 1) * share)
        out[n] = altered(out[n], fwhm_px=width, hfr_px=0.62 * width * (1 - 0.16 * share))
    return out


def test_a_drift_begins_where_it_passes_the_limit_of_the_frames_before_it():
    """Seeing that improved before a drift hides its first frames from the run's usual width; the
    frames just before tell them. The grade of each frame stays what it was."""
    run = clean_run()
    for n in range(4, 20):  # better seeing than the run's usual
        run[n] = altered(run[n], fwhm_px=2.05, hfr_px=0.62 * 2.05)
    for n, (width, flat) in enumerate([(2.4, 0.03), (2.55, 0.06), (2.75, 0.09), (2.95, 0.1)]):
        run[20 + n] = altered(run[20 + n], fwhm_px=width, hfr_px=0.62 * width * (1 - flat))
    verdicts = grade_run(run, Policy())
    assert verdicts[run[20].key].grade is Grade.KEEP
    assert verdicts[run[21].key].grade is not Grade.KEEP
    assert events(run, "focus-drift") == [(20, 23)]


def test_poorer_seeing_before_a_drift_is_not_part_of_it():
    """Frames that are wide with an unchanged profile are seeing: the drift begins after them."""
    run = changed(clean_run(), range(16, 20), fwhm_px=2.9, hfr_px=0.62 * 2.9)
    run = drifting(run, 20, 30)
    ((first, last),) = events(run, "focus-drift")
    assert (first >= 20, last) == (True, 30)


def test_after_a_drift_any_move_of_the_focuser_is_the_focus_run():
    """One step ends a drift on a coarse focuser; after a single slip it may be compensation."""
    run = drifting(clean_run(), 10, 19)
    moved = changed(run, range(20, 40), focus_pos=11201.0)
    assert events(moved, "refocus") == [(20, 20)]
    assert events(run, "refocus") == []
    slip = changed(clean_run(), [10], fwhm_px=3.4, hfr_px=0.53 * 3.4)
    assert events(changed(slip, range(11, 40), focus_pos=11201.0), "refocus") == []


def test_a_refocus_with_filters_in_turn_is_told_once():
    """Each filter stands at a place of its own; the move is measured within one filter."""
    offset = {"L": 0.0, "R": 40.0}
    run = [altered(f, filter="LR"[n % 2]) for n, f in enumerate(drifting(clean_run(), 10, 19))]
    stuck = [altered(f, focus_pos=11200 + offset[f.context.filter]) for f in run]
    assert events(stuck, "refocus") == []
    ended = changed(stuck, range(20, 40), focus_pos=lambda f: f.header.focus_pos - 9)
    assert events(ended, "refocus") == [(20, 20)]


def test_a_refocus_into_another_filter():
    """A drift that ends as another filter comes in: the focuser stands where it never stood."""
    run = drifting(clean_run(), 10, 19)
    run = changed(run, range(20, 40), filter="Ha", focus_pos=11170.0)
    assert events(run, "refocus") == [(20, 20)]


def test_a_refocus_shows_as_a_break_where_the_focuser_is_silent():
    """Without positions a break of two minutes after a drift says that a focus run ended it."""
    run = [altered(f, focus_pos=None) for f in drifting(clean_run(), 10, 19)]
    assert events(run, "refocus") == []
    later = timedelta(minutes=2)
    run = changed(run, range(20, 40), taken_at_utc=lambda f: f.header.taken_at_utc + later)
    (told,) = [e for e in story(run).events if e.kind == "refocus"]
    assert "a break 2 min longer than usual" in told.text


def test_a_filter_with_a_wrong_offset_is_named():
    """A filter whose frames are all out of focus passes as usual in itself: the others tell."""
    run = [altered(f, filter="LR"[n % 2]) for n, f in enumerate(clean_run())]
    assert story(run).verdicts[Part.FOCUS].verdict is Opinion.GOOD
    red = [n for n, f in enumerate(run) if f.context.filter == "R"]
    run = changed(run, red, fwhm_px=3.0, hfr_px=0.55 * 3.0)
    found = story(run)
    assert found.verdicts[Part.FOCUS].verdict is Opinion.FAIR
    assert "R is 1.3 times as wide as L" in found.verdicts[Part.FOCUS].evidence
    (check,) = found.to_check
    assert str(check) == "focus: the focus offset of each filter, by a focus run in each"


# --- sky, camera, schedule, pointing --------------------------------------------------------


def test_a_spell_of_soft_seeing_is_told_with_times_and_cost():
    """Seeing has no event of its own: the sky verdict says when, how many frames, how much lost."""
    run = changed(clean_run(), range(10, 16), fwhm_px=3.9, hfr_px=0.62 * 3.9)
    sky = story(run).verdicts[Part.SKY]
    assert sky.verdict is Opinion.POOR
    assert "poor seeing 20:53–21:24 UTC (6 frames, 30 min not kept)" in sky.evidence
    assert "at worst FWHM 3.9 px" in sky.evidence


@pytest.mark.parametrize(
    ("values", "words", "check"),
    [
        ({"transparency": 0.5}, "cloud", "the forecast"),
        ({"hfr_px": 1.43 * 1.7, "fwhm_px": 2.3}, "dew or fog", "the dew heater"),
        ({"stars": 0, "transparency": None, "matched_to": None, "ranked_flux_adu_s": None,
          "fwhm_px": None, "axis_ratio": None, "zone_stars": (0,) * 9}, "next to no stars", "cap"),
        ({"zone_stars": (2, 50, 55, 3, 50, 55, 1, 50, 55)}, "an obstruction", "a tree"),
        ({"background_adu": 1500.0}, "bright sky", "the Moon's hours"),
    ],
)  # fmt: skip
def test_whatever_spoils_the_sky_is_named_with_what_to_check(values, words, check):
    """No loss goes without a part of the rig or the sky that is to blame for it."""
    told = story(changed(clean_run(), range(10, 15), **values))
    assert words in told.verdicts[Part.SKY].evidence
    assert "(5 frames, 25 min not kept)" in told.verdicts[Part.SKY].evidence
    (line,) = [str(c) for c in told.to_check if c.part is Part.SKY]
    assert check in line


def test_a_moonlit_night_says_that_it_cannot_tell():
    """With the Moon up in every frame the run holds no dark sky to compare with."""
    lit = story(clean_run(moon_alt_deg=30.0)).verdicts[Part.SKY].evidence
    assert "the Moon was up all the time" in lit
    part = changed(clean_run(), range(10), moon_alt_deg=30.0)
    assert "Moon" not in story(part).verdicts[Part.SKY].evidence


def test_a_place_in_doubt_is_no_fact():
    """Guards dark and Moon from being told while the longitude or the clock may be wrong."""
    told = story(clean_run(), doubt="unknown, because the clock is in doubt").verdicts
    assert "whether the Moon was up is unknown, because the clock" in told[Part.SKY].evidence
    assert "of the dark was exposed is unknown, because the" in told[Part.SCHEDULE].evidence


@pytest.mark.parametrize(
    ("frames", "why"),
    [
        ([], "there are no lights"),
        (changed(clean_run(3), range(3), taken_at_utc=None), "no light frame tells its time"),
        (changed(clean_run(1), [0], exposure_s=0.0), "no light frame tells how long"),
        (clean_run(1), "1 frame shows no pace"),
        (clean_run(2), "2 frames show no pace"),
    ],
)
def test_why_the_pace_is_unknown(frames, why):
    """Guards "no light frame has a date" of frames that have one."""
    told = story(frames).verdicts[Part.SCHEDULE]
    assert told.evidence.startswith(f"unknown, because {why}")


def test_a_lost_set_point_is_not_told_as_kept():
    """A cooler that was 6 C off on 8 frames is said to be off, not to have stayed within 6 C."""
    camera = story(changed(clean_run(), range(10, 18), sensor_c=-4.0)).verdicts[Part.CAMERA]
    assert camera.verdict is Opinion.POOR
    text = "the sensor was up to 6.0 C warmer than its set point, more than 2 C on 8 of 40 frames"
    assert text in camera.evidence


def test_a_colder_sensor_lost_nothing():
    """Colder than asked is said as it is: no cooler failed, and no exposure was lost to it."""
    run = changed(clean_run(), range(10, 18), sensor_c=-14.0)
    camera = story(run).verdicts[Part.CAMERA]
    assert camera.verdict is Opinion.FAIR
    assert "up to 4.0 C colder than its set point, more than 2 C on 8 of 40" in camera.evidence
    (event,) = [e for e in story(run).events if e.kind == "cooling"]
    assert (
        event.text == "the sensor was up to 4.0 C colder than its set point: -14.0 C, set -10.0 C"
    )
    assert event.cost_s == 0


def test_what_the_headers_do_not_give_is_named():
    """A known sensor temperature is not said to be missing."""
    camera = story(clean_run(set_c=None)).verdicts[Part.CAMERA]
    assert "unknown, because the headers give no set temperature" in camera.evidence
    camera = story(clean_run(sensor_c=None, set_c=None)).verdicts[Part.CAMERA]
    assert "do not give sensor and set temperature" in camera.evidence
    some = changed(clean_run(sensor_c=None), range(20), set_c=None)
    camera = story(some).verdicts[Part.CAMERA]
    assert "unknown, because the headers do not give the sensor's temperature" in camera.evidence


def test_a_steady_difference_all_night_is_told_as_one():
    """A sensor 3 C above its set point on every frame may be a reading: neither is claimed."""
    camera = story(clean_run(sensor_c=-7.0)).verdicts[Part.CAMERA]
    assert camera.verdict is Opinion.FAIR
    assert "steady, up to 3.0 C above the set point in the headers, on all 40" in camera.evidence
    assert "lost" not in camera.evidence


def test_dark_time_used():
    """Forty exposures of 5 minutes in a dark of 10 hours that began before them: 3 h 20 min."""
    dark = (START - timedelta(hours=1), START + timedelta(hours=9))
    schedule = story(clean_run(), dark).verdicts[Part.SCHEDULE]
    assert schedule.evidence.endswith("3 h 20 min of 10 h 00 min of dark exposed")


def test_trails_right_after_dithers_are_told_with_what_to_check():
    """Where every fourth frame is dithered and those trail, guiding had not settled."""
    run = []
    for n, frame in enumerate(clean_run()):
        place = 20.0 * (n // 4)
        moved = altered(frame, shift_x_px=place + 0.1 * (n % 2), shift_y_px=0.0)
        run.append(trail(moved, 2.0) if n in (8, 16, 28) else moved)
    told = story(run)
    assert "3 of them right after a dither" in told.verdicts[Part.TRACKING].evidence
    assert "settled after a dither" in told.to_check[0].words


def test_trouble_that_begins_with_a_flip_says_so():
    """The first frame after a flip is context: it is told, and the fault stays the fault."""
    run = changed(clean_run(), range(22, 40), pier_side="east", rotation_deg=180.0)
    run[22] = trail(run[22], 2.0)
    (told,) = [e for e in story(run).events if e.kind == "trailing"]
    assert told.text.endswith("it began right after the flip")


def test_a_jump_seen_in_filters_in_turn_is_one_jump_there_and_one_back():
    """Each filter has a reference of its own, so each shows the jump; it is told once."""
    run = [altered(f, filter="LR"[n % 2]) for n, f in enumerate(clean_run())]
    run = changed(run, range(15, 25), shift_x_px=lambda f: f.placement.shift_x_px + 90.0)
    assert events(run, "jump") == [(15, 15), (25, 25)]
    texts = [e.text for e in story(run).events if e.kind == "jump"]
    assert texts[0].startswith("the field jumped by")
    assert texts[1].startswith("the field went back by")


def test_each_pointing_trouble_has_its_own_check():
    """A run without dithering is not sent to look for snagged cables."""
    still = [altered(f, shift_x_px=0.1, shift_y_px=0.0) for f in clean_run()]
    assert list(map(str, story(still).to_check)) == ["pointing: that dithering is switched on"]


@pytest.mark.parametrize("count", [1, 2])
def test_a_frame_or_two_get_no_invented_verdicts(count):
    """With nothing to compare with, tracking, focus and sky are unknown, and it is said why."""
    told = story(clean_run(count)).verdicts
    for part in (Part.TRACKING, Part.FOCUS, Part.SKY):
        assert told[part].verdict is Opinion.UNKNOWN
        assert "nothing to compare with" in told[part].evidence


def test_a_noted_tilt_still_counts_for_the_optics():
    """Frames that are only noted as tilted are the ones that show it."""
    told = story(clean_run(tilt=0.2)).verdicts[Part.OPTICS]
    assert told.verdict is Opinion.FAIR
    assert "width changes by 20% across the field" in told.evidence


def test_hot_pixels_and_noise_are_the_cameras():
    """A sensor that warms up shows in its hot pixels, and in noise the sky does not explain."""
    steady = clean_run(hot_pixels_ppm=400.0)
    told = story(steady).verdicts[Part.CAMERA]
    assert told.verdict is Opinion.GOOD
    assert "hot pixels 400 in a million" in told.evidence
    warm = story(changed(steady, range(30, 40), hot_pixels_ppm=1300.0)).verdicts[Part.CAMERA]
    assert warm.verdict is Opinion.FAIR
    assert "hot pixels 400 in a million, up to 1300 on 10 frames" in warm.evidence
    noisy = story(changed(steady, range(4), noise_adu=30.0)).verdicts[Part.CAMERA]
    assert noisy.verdict is Opinion.FAIR
    assert "4 frames with up to 1.5 times the noise the sky explains" in noisy.evidence


def test_noise_of_a_brighter_sky_is_not_the_cameras():
    """Twice the sky brings up to 1.41 times the noise (Poisson); without a zero level nothing is
    said."""
    lit = changed(clean_run(), range(20, 40), background_adu=1100.0, noise_adu=28.0)
    assert story(lit).verdicts[Part.CAMERA].verdict is Opinion.GOOD
    unknown = changed(clean_run(pedestal_adu=None), range(4), noise_adu=30.0)
    assert "noise" not in story(unknown).verdicts[Part.CAMERA].evidence


def test_the_worst_of_the_camera_names_its_verdict():
    """Hot pixels do not soften a cooler that lost its set point."""
    run = changed(clean_run(hot_pixels_ppm=400.0), range(10, 18), sensor_c=-4.0)
    camera = story(run).verdicts[Part.CAMERA]
    assert camera.verdict is Opinion.POOR
    assert "set point" in camera.evidence
    assert "hot pixels" in camera.evidence


def test_a_run_that_is_elongated_throughout_has_no_good_tracking():
    """What pulls every star of a night one way may be tracking or optics: not called good."""
    tracking = story([trail(f, 0.9) for f in clean_run()]).verdicts[Part.TRACKING]
    assert tracking.verdict is Opinion.POOR
    assert tracking.evidence.startswith("40 of 40 frames trailed")
    assert "by tracking or by optics" in tracking.evidence
    assert "collimation" in tracking.check


def test_a_drift_costs_nothing_that_something_else_lost():
    """Frames lost to trails on a night that drifts are charged to the trails alone."""
    run = [altered(f, shift_x_px=4.0 * i) for i, f in enumerate(clean_run())]
    run[5:9] = [trail(f, 1.5) for f in run[5:9]]
    drift = [e for e in story(run).events if e.kind == "drift"]
    assert [e.cost_s for e in drift] == [0.0]


def test_a_trail_is_no_dew():
    """A trail spreads the light of a star as halos do: it is told as a trail alone."""
    run = clean_run()
    round_, long = run[5].measurement, trail(run[5], 1.5)
    wider = long.measurement.fwhm_px / round_.fwhm_px
    run[5] = altered(long, hfr_px=1.3 * round_.hfr_px * wider)
    told = story(run)
    assert "dew" not in told.verdicts[Part.SKY].evidence
    assert told.verdicts[Part.SKY].verdict is Opinion.GOOD


def test_bands_of_every_frame_send_to_the_camera_as_well():
    """Where nearly every frame has bands in other rows, cable and camera are both to be checked."""
    words = "rows 3 to 9 stand 9 ADU above their neighbours"
    one = story(changed(clean_run(), [4], readout=words)).to_check
    assert list(map(str, one)) == ["camera: the camera's data cable, its hub and its power"]
    every = story(changed(clean_run(), range(36), readout=f"{words}; {CAMERA_OR_CABLE}")).to_check
    assert any(c.words.endswith("its hub and its power, or the camera") for c in every)


def test_four_stars_tell_nothing_of_tracking_and_focus():
    """A lone frame with next to no stars has no good tracking, and two frames have no pace."""
    told = story([altered(clean_run()[0], stars=4)]).verdicts
    for part in (Part.TRACKING, Part.FOCUS, Part.SCHEDULE):
        assert told[part].verdict is Opinion.UNKNOWN
