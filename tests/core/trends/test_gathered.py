"""Numbers of runs become points, or are counted with the reason why they cannot."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import log10

import pytest

from runlog.core.grading.summary import Elongation, RunSummary
from runlog.core.trends.gathered import gather
from runlog.core.trends.kinds import KINDS
from runlog.core.trends.numbers import CameraSetting, LevelNumbers, LightNumbers, RunNumbers
from runlog.core.trends.of_filters import FEWEST_KEPT
from runlog.core.trends.of_run import points_of

SETTING = CameraSetting(1, 1, 100.0, 50.0, None)
START = datetime(2026, 10, 5, 20, tzinfo=UTC)
LIGHT = LightNumbers(
    SETTING, "keep", "L", "raw", START, 300.0, 7,
    arcsec_per_px=1.4, eccentricity=0.3, tilt=0.05, curvature=0.02, background_adu=800.0,
    noise_adu=25.0, pedestal_adu=500.0, egain_e_adu=0.8, sun_alt_deg=-40.0, moon_alt_deg=-10.0,
    airmass=1.0, set_c=-10.0,
)  # fmt: skip
SUMMARY = RunSummary(
    "L", SETTING.in_words, 7, 10, 10, fwhm_px=2.0, exposure_s=300.0, hot_pixels_ppm=40.0,
    overhead_s=12.0, elongations=(Elongation("east", 6, 0.03, 0.04), Elongation("west", 4, 0.1, 0)),
)  # fmt: skip


def lights(n=10, every_s=312.0, **own):
    """Make frames of one night."""
    return [
        replace(LIGHT, taken_at_utc=START + timedelta(seconds=i * every_s), **own) for i in range(n)
    ]


def level(kind, median_adu, exposure_s=0.0, noise_adu=8.0):
    """Make a bias or dark frame."""
    return LevelNumbers(SETTING, kind, exposure_s, -10.0, median_adu, noise_adu)


def run(night="2026-10-05", frames=None, **own):
    """Make a night and what ten good frames of it say, all of it kept."""
    found = lights() if frames is None else frames
    kept = {"summaries": [SUMMARY], "logged_s": 3000.0, "kept_s": 2400.0} | own
    return night, points_of(RunNumbers(found, **kept))


def only(runs, kind):
    """Give the only series of a kind."""
    (found,) = [s for s in gather("a rig", runs) if s.kind is KINDS[kind]]
    return found


@pytest.mark.parametrize(
    ("kind", "value", "why"),
    [
        ("fwhm", 2.8, "2 px times 1.4 arcsec a pixel"),
        ("eccentricity", 0.3, "the middle of ten"),
        ("elongation", 0.07, "|0.03 + 0.04 i| is 0.05 in six frames, 0.1 in four"),
        ("tilt", 0.05, "the middle of ten"),
        ("noise", 0.8 * (25**2 - 300 / 0.8) ** 0.5, "Poisson: 300 ADU of sky are 375 ADU^2"),
        ("hot-pixels", 40.0, "as summed up"),
        ("overhead", 12.0, "as summed up"),
        ("open-shutter", 3000 / (9 * 312 + 300), "ten exposures from first to last"),
        ("yield", 0.8, "kept over logged"),
    ],
)
def test_a_run_gives_its_number(kind, value, why):
    """Each kind's number by hand."""
    (point,) = only([run()], kind).points
    assert (point.night, point.value) == ("2026-10-05", pytest.approx(value)), why


def test_the_sky_is_relative_and_moonless():
    """Twice the light of the middle night is 2.5 log10 2 darker by minus that; the Moon counts not.

    Pogson's definition: 2.5 log10 2 = 0.7526 mag.
    """
    bright = run("2026-10-07", lights(background_adu=1100.0))
    moonlit = lights(5, background_adu=5000.0, moon_alt_deg=30.0)
    runs = [run("2026-10-05"), run("2026-10-06", lights() + moonlit), bright]
    found = only(runs, "sky")
    assert [p.value for p in found.points] == pytest.approx([0, 0, -2.5 * log10(2)], abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "own", "why"),
    [
        ("sky", {"moon_alt_deg": 20.0}, "too few frames in the dark with the Moon down"),
        ("sky", {"sun_alt_deg": -15.0}, "too few frames in the dark with the Moon down"),
        ("sky", {"moon_alt_deg": None}, "Sun and Moon are unknown"),
        ("sky", {"pedestal_adu": None}, "the level without light is unknown"),
        ("noise", {"egain_e_adu": None}, "electrons per ADU are unknown"),
        ("noise", {"stage": "calibrated"}, "the frames are not raw"),
        ("noise", {"noise_adu": 19.5}, "the sky makes more than nine tenths of the noise"),
        ("fwhm", {"arcsec_per_px": None}, "no plate scale is known"),
        ("tilt", {"tilt": None}, "stars enough over the field"),
    ],
)
def test_what_cannot_be_told_is_counted_with_its_reason(kind, own, why):
    """No number is guessed: the night is left out, and the series says why."""
    found = only([run(frames=lights(**own))], kind)
    assert found.points == ()
    assert found.left_out[0].startswith("1 night left out: ")
    assert why in found.left_out[0]


def test_a_night_of_seven_kept_frames_is_left_out():
    """Eight kept frames make a night; rejected ones beside them do not count."""
    frames = lights(7) + lights(5, grade="reject")
    assert only([run(frames=frames)], "fwhm").points == ()
    assert "fewer than 8 kept frames" in only([run(frames=frames)], "fwhm").left_out[0]
    assert len(only([run(frames=frames)], "yield").points) == 1


def test_numbers_of_an_earlier_version_do_not_mix():
    """Only the newest version of the measurement makes the series; the others are said."""
    old = run("2026-10-04", lights(measured_with=6), summaries=[replace(SUMMARY, measured_with=6)])
    found = only([old, run()], "fwhm")
    assert [p.night for p in found.points] == ["2026-10-05"]
    assert "1 night left out: measured by an earlier version" in found.left_out[0]


def test_temperatures_and_lengths_are_series_apart():
    """Hot pixels at -10 C and at 0 C do not compare."""
    warm = run("2026-10-06", lights(set_c=0.0))
    found = [s for s in gather("a rig", [run(), warm]) if s.kind is KINDS["hot-pixels"]]
    assert [s.setting.rsplit(", ", 1)[1] for s in found] == ["-10 C", "0 C"]


def test_darks_rise_over_the_nearest_bias_frames():
    """(530 - 500) ADU in 300 s; without bias frames within 30 days it is unknown."""
    near = run(levels=[level("bias", 500.0)] * 3)
    darks = run("2026-10-20", levels=[level("dark", 530.0, 300.0)] * 3)
    late = run("2026-11-20", levels=[level("dark", 530.0, 300.0)] * 3)
    found = only([near, darks, late], "dark-signal")
    assert [(p.night, p.value) for p in found.points] == [("2026-10-20", pytest.approx(0.1))]
    assert found.left_out == ("1 night left out: no bias frames of this setting within 30 days",)


def test_no_bias_frames_are_said():
    """A rig without calibration frames has the series, empty and with the reason."""
    found = only([run()], "bias-level")
    assert (found.points, found.left_out) == ((), ("no night has three single bias frames",))


def test_the_order_of_reading_changes_nothing():
    """Frames and runs come from a database in any order."""
    nights = {
        "2026-10-05": lights() + lights(3, eccentricity=0.5),
        "2026-10-06": lights(measured_with=6),
        "2026-10-04": lights(tilt=0.2),
    }
    runs = [run(night, frames) for night, frames in nights.items()]
    turned = [run(night, frames[::-1]) for night, frames in reversed(nights.items())]
    assert gather("a rig", runs) == gather("a rig", turned)


def test_noise_and_hot_pixels_are_named_by_length_and_temperature():
    """Guards the setting of what hangs on both: that of most frames, of as many the longest."""
    mixed = lights(6) + lights(4, exposure_s=60.0, set_c=0.0)
    assert only([run(frames=mixed)], "noise").setting == f"{SETTING.in_words}, 300 s, -10 C"
    even = lights(5, exposure_s=60.0) + lights(5)
    assert only([run(frames=even)], "hot-pixels").setting.endswith("300 s, -10 C")
    silent = lights(exposure_s=None, set_c=None, sensor_c=None)
    named = only([run(frames=silent)], "noise").setting
    assert named.endswith("length unknown, temperature unknown")


def test_hot_pixels_of_another_length_are_left_out():
    """Guards a count of the summary's length against frames of another one."""
    other = only([run(frames=lights(exposure_s=60.0))], "hot-pixels")
    assert (other.points, len(other.left_out)) == ((), 1)
    assert "hot pixels were not counted in frames alike" in other.left_out[0]


def test_a_few_frames_of_unknown_sky_or_shape_leave_the_others():
    """Guards a night of which one frame tells no Moon, and one of just enough shapes."""
    some = [*lights(9), *lights(1, moon_alt_deg=None)]
    (point,) = only([run(frames=some)], "sky").points
    assert point.night == "2026-10-05"
    just = [*lights(FEWEST_KEPT), *lights(4, tilt=None)]
    assert only([run(frames=just)], "tilt").points[0].value == pytest.approx(0.05)
    assert only([run(frames=[*just[1:]])], "tilt").points == ()
