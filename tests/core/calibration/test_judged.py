"""Which sets of calibration frames are doubted; each rule on both sides (common practice)."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from runlog.core.calibration.judged import LevelFrame, judge
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Kind

SENSOR = Sensor("cam", 100.0, 50.0, None, (1, 1), (3000, 2000))
START = datetime(2026, 10, 10, 5, tzinfo=UTC)
NIGHTS = ("2026-10-01", "2026-10-03", "2026-10-05")


def a_set(kind, night="2026-10-09", n=10, steps=(), **own):
    """Make a set of frames a minute apart; `steps` are added to their levels, one a frame."""
    level = {Kind.FLAT: 24_000.0, Kind.BIAS: 500.0}.get(kind, 510.0)
    noise = 200.0 if kind is Kind.FLAT else 3.2
    values = {
        "rig": "rig", "rig_id": 1, "sensor": SENSOR, "night": night, "filter": "L",
        "exposure_s": {Kind.FLAT: 2.0, Kind.BIAS: 0.0}.get(kind, 300.0), "set_c": -10.0,
        "sensor_c": -10.0, "median_adu": level, "noise_adu": noise, "low_adu": level - 3 * noise,
        "high_adu": level + 3 * noise, "ceiling_adu": 65_535.0,
        "span_adu": 0.07 * level if kind is Kind.FLAT else 1.0,
    } | own  # fmt: skip
    made = [LevelFrame(kind, taken_at_utc=START + timedelta(minutes=i), **values) for i in range(n)]
    moved = [replace(f, median_adu=f.median_adu + s) for f, s in zip(made, steps, strict=False)]
    return moved + made[len(moved) :]


BIAS = a_set(Kind.BIAS)


def codes(*sets):
    """Name what is found in some sets."""
    return [f.code for f in judge([f for own in sets for f in own])]


def texts(*sets):
    """Say what is found in some sets."""
    return [f.in_words for f in judge([f for own in sets for f in own])]


def test_good_frames_pass():
    """Frames as they should be, one night alone and several: nothing is said."""
    kinds = (Kind.FLAT, Kind.DARK, Kind.FLAT_DARK, Kind.BIAS)
    assert codes(*(a_set(kind) for kind in kinds)) == []
    assert codes(*(a_set(kind, night) for kind in kinds for night in NIGHTS)) == []
    assert codes(*(a_set(kind, n=1) for kind in kinds)) == []


@pytest.mark.parametrize(
    ("own", "code"),
    [
        ({"high_adu": 65_535.0}, ["clipped"]),
        ({"median_adu": 60_000.0, "high_adu": 61_000.0}, ["near-full"]),
        ({"median_adu": 62_000.0, "high_adu": 62_000.0, "noise_adu": 0.0}, ["clipped"]),
        ({"median_adu": 5_000.0}, ["faint"]),
        ({"median_adu": 6_500.0}, []),
        ({"median_adu": 500.0}, ["faint"]),
        ({"ceiling_adu": None}, ["no-ceiling"]),
        ({"ceiling_adu": 16_383.0, "median_adu": 8_000.0, "high_adu": 9_000.0}, []),
    ],
)
def test_flats_too_full_and_too_faint(own, code):
    """The level of all flats of a set against the span between bias and full."""
    assert codes(BIAS, a_set(Kind.FLAT, **own)) == code


def test_some_flats_of_a_set_are_counted():
    """Two of ten clipped: said of two."""
    full = a_set(Kind.FLAT, high_adu=65_535.0)[:2]
    (text,) = texts(BIAS, full + a_set(Kind.FLAT)[2:])
    assert text == (
        "flats through L, gain 100, offset 50, binning 1, 2026-10-09: 2 of 10 clipped, the "
        "brightest hundredth at 65535 of 65535 ADU"
    )


def test_faint_flats_without_bias_frames_say_what_is_not_known():
    """Without a zero level the level is counted whole, and that is said."""
    (text,) = texts(a_set(Kind.FLAT, median_adu=3_000.0))
    assert "the level without light is unknown" in text


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        ([1_500 * i for i in range(10)], "as twilight does"),
        ([9_000 * (i % 2) for i in range(10)], "up and down"),
        ([300 * i for i in range(10)], None),
    ],
)
def test_light_that_changes_during_a_set(steps, words):
    """A sky that brightens all the way, a lamp that wanders, and one that warms up a little."""
    found = texts(BIAS, a_set(Kind.FLAT, steps=steps))
    assert [words in text for text in found] == ([] if words is None else [True])


def test_a_steeper_fall_of_light_needs_other_nights():
    """Against three other nights a new gradient is told; against two nothing is known."""
    odd = a_set(Kind.FLAT, "2026-10-09", span_adu=0.20 * 24_000)
    usual = [a_set(Kind.FLAT, night) for night in NIGHTS]
    assert codes(BIAS, odd, *usual) == ["gradient"]
    assert codes(BIAS, odd, *usual[:2]) == []
    steep = [a_set(Kind.FLAT, night, span_adu=0.20 * 24_000) for night in NIGHTS]
    assert codes(BIAS, odd, *steep) == []  # the optics' own


@pytest.mark.parametrize(
    ("kind", "own", "code"),
    [
        (Kind.DARK, {"sensor_c": -7.0}, ["temperature"]),
        (Kind.DARK, {"sensor_c": -9.5}, []),
        (Kind.DARK, {"set_c": None, "sensor_c": 12.0}, []),
        (Kind.BIAS, {"low_adu": 0.0, "median_adu": 6.0}, ["cut-at-zero"]),
        (Kind.DARK, {"median_adu": 450.0}, ["below-bias"]),
    ],
)
def test_frames_without_light(kind, own, code):
    """Another temperature than was set, an offset too low, darker than no light."""
    assert codes(*([] if kind is Kind.BIAS else [BIAS]), a_set(kind, **own)) == code


def test_light_in_some_darks_and_in_all():
    """A lamp during a set shows in the set; light in all of it shows beside other nights only."""
    assert codes(BIAS, a_set(Kind.DARK, steps=[0] * 7 + [30, 40, 50])) == ["light"]
    lit = a_set(Kind.DARK, median_adu=540.0, span_adu=20.0)
    usual = [a_set(Kind.DARK, night) for night in NIGHTS]
    assert codes(BIAS, lit) == []
    assert codes(BIAS, lit, *usual) == ["light", "light-on-one-side"]
    glow = [a_set(Kind.DARK, night, span_adu=60.0) for night in NIGHTS]
    assert codes(BIAS, *glow) == []  # a sensor's own, in every dark


def test_darks_of_other_lengths_and_temperatures_do_not_compare():
    """Warmer and longer darks are brighter; that is no light."""
    usual = [a_set(Kind.DARK, night) for night in NIGHTS]
    warm = a_set(Kind.DARK, set_c=0.0, sensor_c=0.0, median_adu=560.0)
    long = a_set(Kind.DARK, exposure_s=900.0, median_adu=530.0)
    assert codes(BIAS, warm, long, *usual) == []


def test_a_bias_level_that_drifts():
    """Ten ADU off what three other nights had."""
    usual = [a_set(Kind.BIAS, night) for night in NIGHTS]
    (text,) = texts(a_set(Kind.BIAS, median_adu=510.0), *usual)
    assert "their level is 510 ADU, on 3 other nights 500: it drifts" in text
    assert codes(a_set(Kind.BIAS, median_adu=502.0), *usual) == []


def test_frames_of_no_number_and_the_order_of_frames():
    """A frame of which no pixel is finite is not judged; order changes nothing."""
    nothing = a_set(Kind.DARK, median_adu=float("nan"), noise_adu=float("nan"))
    assert codes(nothing) == []
    mixed = [
        *BIAS, *a_set(Kind.FLAT, high_adu=65_535.0), *a_set(Kind.DARK, steps=[0] * 9 + [50]),
    ]  # fmt: skip
    assert judge(mixed) == judge(mixed[::-1])
