"""References of effective time: a function of the set of nights, laws and edges."""

import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.ledger.depth_reference import (
    MOST_OVER_LIGHT,
    MOST_OVER_SKY,
    NightValue,
    fit,
    night_value,
    reference_of,
)
from runlog.core.ledger.effective_time import sky_depth_of
from runlog.core.ledger.run_depth import run_depths, run_lights
from tests.core.runs import altered, blank

START = datetime(2026, 10, 9, 22, tzinfo=UTC)
VALUES = st.lists(st.floats(0.01, 100), min_size=5, max_size=60)


def night(*values, moonless=True):
    """Make nights of some values, named by their place."""
    return [NightValue(v, f"2026-10-{n + 1:02d}", moonless) for n, v in enumerate(values)]


@given(VALUES)
def test_a_night_is_its_best_quartile(values):
    """It is numpy's 75 % quantile, unless the second best frame is far above that."""
    quartile = float(np.quantile(values, 0.75))
    second = sorted(values)[-2]
    assert night_value(values, 1.1) == pytest.approx(max(quartile, second / 1.1))


def test_fewer_than_five_frames_are_no_reference():
    """Four frames say nothing; five do."""
    assert night_value([1.0] * 4, 1.1) is None
    assert night_value([1.0] * 5, 1.1) == 1.0


@given(VALUES, VALUES)
def test_few_good_frames_of_a_poor_night_are_worth_no_half_more(light, sky):
    """But the best of each, none is worth over 1.5 times its length by its own night."""
    by = night_value(light, MOST_OVER_LIGHT) * night_value(sky, MOST_OVER_SKY)
    assert sorted(light)[-2] * sorted(sky)[-2] / by <= 1.5


def test_up_to_three_nights_the_best_then_three_quarters_of_them():
    """The best of three; of four and more their upper quartile, as numpy gives it."""
    assert reference_of([]) is None
    assert reference_of(night(1.0, 3.0, 2.0)).value == 3.0
    assert reference_of(night(1.0, 3.0, 2.0)).best == "2026-10-02"
    four = reference_of(night(1.0, 3.0, 2.0, 9.0))
    assert (four.value, four.best) == (float(np.quantile([1.0, 2.0, 3.0, 9.0], 0.75)), None)


def test_moonless_nights_alone_if_there_are_any():
    """A brighter night under the Moon does not count beside a moonless one; else it is said."""
    lit, dark = night(5.0, 6.0, moonless=False), [NightValue(2.0, "2026-11-01", True)]
    assert reference_of([*lit, *dark]).value == 2.0
    assert reference_of([*lit, *dark]).moonless is True
    assert (reference_of(lit).value, reference_of(lit).moonless) == (6.0, False)
    assert reference_of(night(1.0, moonless=None)).moonless is None


@given(st.lists(st.floats(0.1, 10), min_size=1, max_size=12), st.randoms())
def test_the_order_of_nights_changes_nothing(values, rng):
    """Any order gives the same reference to the last digit."""
    nights = night(*values)
    shuffled = nights[:]
    rng.shuffle(shuffled)
    assert reference_of(shuffled) == reference_of(nights)


# --- frames ---------------------------------------------------------------------------------


def frame(n, **changes):
    """Make a light of a dark night with all that depth needs, changed."""
    values = {
        "exposure_s": 300.0, "egain_e_adu": 0.5, "fwhm_px": 2.0, "noise_adu": 20.0,
        "pedestal_adu": 500.0, "pixel_um": 3.76, "focal_mm": 540.0, "stars": 200,
        "sun_alt_deg": -30.0, "airmass": 1.2, "depth_base": "base", "light_e_adu": 0.5,
    }  # fmt: skip
    start = START + timedelta(minutes=5 * n)
    return altered(blank(f"f{n:03d}", start, 300.0, "M 33", "L"), **(values | changes))


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        ({}, True),
        ({"stars": 29}, False),
        ({"sun_alt_deg": -17.9}, False),
        ({"airmass": 2.0}, False),
        ({"sun_alt_deg": None, "airmass": None}, True),
    ],
)
def test_which_frames_may_be_a_reference(changes, fits):
    """Thirty stars, a dark sky, airmass under two; what is unknown does not speak against it."""
    assert fit(frame(0, **changes)) is fits


def test_covered_frames_set_no_reference():
    """A dark tree before half of the night looks like a quiet sky; those frames are left out."""
    clear = [frame(n) for n in range(10)]
    covered = [frame(n, noise_adu=5.0) for n in range(10, 20)]
    moonless = dict.fromkeys((f.key for f in [*clear, *covered]), 0.0)
    (found,) = run_depths([*clear, *covered], {f.key for f in covered}, moonless)
    assert found.point_s_e2 == sky_depth_of(clear[0]).point_s_e2
    (tricked,) = run_depths([*clear, *covered], (), moonless)
    assert tricked.point_s_e2 == pytest.approx(16 * found.point_s_e2)
    (light,) = run_lights([*clear, *covered], {f.key for f in clear})
    assert light.light2_e2_adu2 == 0.25


def test_a_night_is_moonless_by_five_frames_without_moonlight():
    """Frames after moonset alone then count; with fewer all do, and the night is a moonlit one."""
    frames = [frame(n, noise_adu=20.0 if n < 5 else 40.0) for n in range(20)]
    lit = {f.key: 500.0 for f in frames}
    dark = lit | {f.key: 20.0 for f in frames[:5]}
    (found,) = run_depths(frames, (), dark)
    assert (found.moonless, found.frames) == (True, 5)
    assert found.point_s_e2 == sky_depth_of(frames[0]).point_s_e2
    (found,) = run_depths(frames, (), lit)
    assert (found.moonless, found.frames) == (False, 20)
    (found,) = run_depths(frames, (), dict.fromkeys(lit))
    assert found.moonless is None


def test_the_order_of_frames_changes_nothing():
    """Sums and quartiles are the same to the last digit, whatever order frames come in."""
    rng = random.Random(4)
    frames = [
        frame(n, noise_adu=rng.uniform(10, 30), light_e_adu=rng.uniform(0.3, 0.6),
              point_s2_adu2=rng.uniform(1, 2), extended_s2_arcsec2_adu2=rng.uniform(1, 2))
        for n in range(25)
    ]  # fmt: skip
    moon = dict.fromkeys((f.key for f in frames), 0.0)
    shuffled = frames[:]
    rng.shuffle(shuffled)
    assert run_depths(shuffled, (), moon) == run_depths(frames, (), moon)
    assert run_lights(shuffled, ()) == run_lights(frames, ())
