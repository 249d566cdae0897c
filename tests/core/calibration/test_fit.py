"""Which calibration frames fit; every rule tried on both sides (common practice, no source)."""

from dataclasses import replace

import pytest

from runlog.core.calibration.fit import (
    CalibrationRules,
    Shots,
    calibrate,
    group_lights,
    lights_of,
)
from runlog.core.calibration.missing import to_take
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Kind

RULES = CalibrationRules()
SENSOR = Sensor("cam", 100.0, 50.0, "fast", (1, 1), (3000, 2000))


def shots(kind, **changed):
    """Make frames of one night; 20 of them, enough of anything."""
    values = {
        "rig": "rig", "rig_id": 1, "sensor": SENSOR, "exposure_s": 300.0, "sensor_c": -10.0,
        "filter": "L", "rotator_deg": 90.0, "night": "2026-10-09", "frames": 20,
    } | changed  # fmt: skip
    return Shots(kind, **values)


LIGHT = lights_of(shots(Kind.LIGHT))
DARK = shots(Kind.DARK, filter="(no filter)", rotator_deg=None)
FLAT = shots(Kind.FLAT, exposure_s=2.0)
FLAT_DARK = shots(Kind.FLAT_DARK, exposure_s=2.0, filter="(no filter)", rotator_deg=None)
BIAS = shots(Kind.BIAS, exposure_s=0.0, filter="(no filter)", rotator_deg=None)
ALL = [DARK, FLAT, FLAT_DARK, BIAS]


def found(*stock, light=LIGHT, rules=RULES):
    """Calibrate one group of lights."""
    (group,) = group_lights([light], rules)
    return calibrate(group, stock, rules)


def test_all_is_there():
    """Darks, flats, flat-darks and bias that fit: nothing is missing, nothing to note."""
    result = found(*ALL)
    assert result.missing == ()
    assert result.notes == ()
    assert (result.darks.frames, result.flats.frames, result.flat_darks.frames) == (20, 20, 20)


def test_all_is_missing():
    """With nothing at all, darks, flats and bias are named; flat-darks wait for flats."""
    assert found().missing == (
        "darks of 300 s at -10 C, gain 100, offset 50, binning 1",
        "flats through L at rotator angle 90",
        "bias, unless the darks are taken",
    )


@pytest.mark.parametrize(
    "other",
    [
        replace(SENSOR, camera="another"),
        replace(SENSOR, gain=200.0),
        replace(SENSOR, offset=10.0),
        replace(SENSOR, readout_mode="slow"),
        replace(SENSOR, binning=(2, 2)),
        replace(SENSOR, size=(1500, 1000)),
    ],
)
def test_darks_of_other_settings_do_not_fit(other):
    """Camera, gain, offset, read-out mode, binning and region must agree."""
    assert found(replace(DARK, sensor=other), FLAT, FLAT_DARK, BIAS).darks.frames == 0


@pytest.mark.parametrize(
    ("sensor_c", "fits"), [(-10, True), (-8, True), (-12, True), (-7.9, False)]
)
def test_dark_temperature(sensor_c, fits):
    """Two degrees are near enough; dark current changes by a quarter in 2 C."""
    assert (found(replace(DARK, sensor_c=sensor_c)).darks.frames == 20) is fits


@pytest.mark.parametrize(("exposure_s", "fits"), [(300, True), (300.5, True), (240, False)])
def test_dark_length(exposure_s, fits):
    """Darks are as long as the lights, a read-out's rounding aside."""
    assert (found(replace(DARK, exposure_s=exposure_s)).darks.frames == 20) is fits


def test_old_darks_raise_a_warning():
    """Darks of two years ago still match; the note says how old they are."""
    result = found(replace(DARK, night="2024-10-09"), FLAT, FLAT_DARK)
    assert result.missing == ()
    assert "730 days" in result.notes[0]


def test_a_few_young_darks_do_not_hide_the_age_of_the_others():
    """The warning is about those that are needed to have enough."""
    old = replace(DARK, night="2024-10-09")
    few = replace(DARK, frames=RULES.enough_darks - 1)
    assert "730 days" in found(old, few, FLAT, FLAT_DARK, BIAS).notes[0]
    enough = replace(DARK, frames=RULES.enough_darks)
    assert found(old, enough, FLAT, FLAT_DARK, BIAS).notes == ()


def test_darks_are_scaled_only_without_glow_and_with_bias():
    """Longer darks are offered for scaling only where config says so and bias frames are there."""
    longer = replace(DARK, exposure_s=600.0)
    clean = replace(RULES, no_glow=True)
    assert "can be scaled, bias taken off first" in found(longer, BIAS, rules=clean).notes[0]
    assert found(longer, BIAS).notes == ()
    assert found(longer, rules=clean).notes == ()
    shorter = replace(DARK, exposure_s=60.0)
    assert found(shorter, BIAS, rules=clean).notes == ()


PART = replace(SENSOR, partial=True, origin=(100, 40))


@pytest.mark.parametrize(
    ("origin", "fits", "noted"),
    [((100, 40), True, False), ((800, 40), False, False), (None, True, True)],
)
def test_a_region_elsewhere_on_the_sensor_does_not_fit(origin, fits, noted):
    """Same size, other place: other pixels, other dust. A place not told may be it, with a note."""
    there = replace(PART, origin=origin)
    stock = [replace(s, sensor=there) for s in ALL]
    result = found(*stock, light=replace(LIGHT, sensor=PART))
    assert [f.frames == 20 for f in (result.darks, result.flats, result.bias)] == [fits] * 3
    assert any("which part of the sensor" in note for note in result.notes) is noted
    assert ("region 3000x2000 from 100, 40" in " ".join(result.missing)) is not fits


def test_too_few_are_counted():
    """Five of ten are said to be five of ten, of every kind."""
    few = [replace(s, frames=5) for s in ALL]
    assert found(*few).missing == (
        "darks of 300 s at -10 C, gain 100, offset 50, binning 1 (5 of 10)",
        "flats through L at rotator angle 90 (5 of 10)",
        "flat-darks of 2 s for L (5 of 10)",
        "bias (5 of 20), unless the darks and flat-darks are taken",
    )


def test_what_is_to_take_is_said_once():
    """Five filters that lack the same darks and flats are two lines, not ten."""
    lights = [replace(LIGHT, filter=name, rotator_deg=None) for name in "BGLR"]
    groups = group_lights(lights, RULES)
    lines = to_take(lack for g in groups for lack in calibrate(g, [BIAS], RULES).lacks)
    assert lines == [
        "darks of 300 s at -10 C, gain 100, offset 50, binning 1",
        "flats through B, G, L, R",
    ]


@pytest.mark.parametrize(
    "changed",
    [
        {"filter": "R"},
        {"rig_id": 2},
        {"rotator_deg": 92.0},
        {"sensor": replace(SENSOR, binning=(2, 2))},
        {"sensor": replace(SENSOR, size=(1500, 1000))},
        {"night": "2026-11-09"},
    ],
)
def test_flats_that_do_not_fit(changed):
    """Filter, train, mechanical angle, binning, region, and a night near enough."""
    result = found(DARK, replace(FLAT, **changed), FLAT_DARK, BIAS)
    assert not result.flats.enough


@pytest.mark.parametrize(
    "changed",
    [
        {"night": "2026-10-10"},  # taken the next day, which is the next night's noon
        {"rotator_deg": 90.9},
        {"sensor": replace(SENSOR, gain=0.0)},  # a flat's gain does not matter
        {"sensor_c": 5.0},
    ],
)
def test_flats_that_fit(changed):
    """Dawn or the next day, a small turn, another gain or temperature: still good."""
    assert found(DARK, replace(FLAT, **changed), FLAT_DARK, BIAS).flats.enough


def test_the_rotator_turns_through_zero():
    """359.6 and 0.3 degrees are seven tenths apart."""
    light = replace(LIGHT, rotator_deg=359.6)
    assert found(replace(FLAT, rotator_deg=0.3), light=light).flats.frames == 20


def test_an_unknown_angle_is_said():
    """Flats without an angle may fit; that is not known."""
    assert "angle is not in all headers" in found(replace(FLAT, rotator_deg=None)).notes[0]


def test_flats_are_asked_for_each_night():
    """Lights of two far nights need two sets of flats."""
    late = replace(LIGHT, nights=("2026-12-24",))
    (group,) = group_lights([LIGHT, late], RULES)
    result = calibrate(group, ALL, RULES)
    assert result.flats.frames == 20
    assert "for the nights of 2026-12-24" in result.missing[0]


def test_flat_darks_are_as_long_as_the_flats():
    """Flat-darks of another length do not fit; darks of that length do."""
    assert (
        "flat-darks of 2 s for L" in found(DARK, FLAT, replace(FLAT_DARK, exposure_s=5.0)).missing
    )
    assert found(DARK, FLAT, replace(DARK, exposure_s=2.0)).flat_darks.enough


def test_masters_count():
    """A master of enough frames is enough; one that does not say how many is, with a note."""
    master = replace(DARK, frames=1, master=True, exposures=30)
    assert found(master, FLAT, FLAT_DARK).missing == ()
    assert found(master).darks.masters == 1
    assert not found(replace(master, exposures=4)).darks.enough
    silent = found(replace(master, exposures=None), FLAT, FLAT_DARK)
    assert silent.missing == ()
    assert "does not say how many" in silent.notes[0]


def test_a_master_flat_needs_no_flat_darks():
    """It has been through that."""
    master = replace(FLAT, frames=1, master=True, exposures=25)
    assert found(DARK, master).missing == ()


def test_lights_are_grouped_by_what_matters():
    """Another filter, length, temperature or angle is another group; another night is not."""
    lights = [
        LIGHT,
        replace(LIGHT, nights=("2026-10-12",)),
        replace(LIGHT, filter="R"),
        replace(LIGHT, exposure_s=60.0),
        replace(LIGHT, sensor_c=0.0),
        replace(LIGHT, rotator_deg=180.0),
    ]
    groups = group_lights(lights, RULES)
    assert [g.frames for g in groups].count(40) == 1
    assert len(groups) == 5


def test_order_of_frames_changes_nothing():
    """Groups do not hang on the order frames are given in."""
    lights = [
        replace(LIGHT, sensor_c=c, nights=(f"2026-10-{n:02d}",))
        for c in (-11, -10, -9.5)
        for n in (1, 2)
    ]
    assert group_lights(lights, RULES) == group_lights(lights[::-1], RULES)


def test_lights_with_and_without_an_angle_are_kept_apart():
    """Whether dust lies in the same place is not known where one header says no angle."""
    lights = [replace(LIGHT, rotator_deg=angle) for angle in (None, 40.0, 40.5)]
    groups = group_lights(lights, RULES)
    assert [(g.rotator_deg, g.frames) for g in groups] == [(None, 20), (40.0, 40)]


def test_flats_without_a_length_ask_for_flat_darks_in_words():
    """Guards a length of None on a screen."""
    assert (
        "flat-darks of unknown length for L" in found(DARK, replace(FLAT, exposure_s=None)).missing
    )
