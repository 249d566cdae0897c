"""What is usual for a run: robust against a bad half of the night, and honest about too few."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.grading.baseline import (
    ENOUGH,
    by_group,
    eccentricity_of,
    ellipticity,
    flux_at_zenith,
    high,
    light_group,
    low,
    shape_group,
    sky_rate,
    sky_rate_at_zenith,
    usual_aim,
    usual_shape,
    width_at,
    width_at_zenith,
)
from runlog.core.grading.usual_light import usual_count, usual_light
from tests.core.runs import REFERENCE, altered, blank, changed, clean_run


def frame(key, **values):
    """Make a measured light frame."""
    start = datetime(2026, 10, 9, 22, tzinfo=UTC)
    made = blank(key, start, 300.0, "M 33", "L")
    return altered(made, **{"measured_with": 1} | values)


@given(
    st.lists(st.floats(2.0, 2.4), min_size=6, max_size=20),
    st.lists(st.floats(4.0, 40.0), max_size=6),
)
def test_a_bad_half_does_not_move_the_usual_width(good, bad):
    """With up to half of the frames defocused the usual width lies among the good frames."""
    assert low([*good, *bad]) <= max(good)


@given(
    st.lists(st.integers(800, 1000), min_size=6, max_size=20),
    st.lists(st.integers(0, 300), max_size=6),
)
def test_a_bad_half_does_not_move_the_usual_count(good, bad):
    """With up to half of the frames under cloud the usual star count is a clear frame's."""
    assert high([*good, *bad]) >= min(good)


@pytest.mark.parametrize("known", range(ENOUGH))
def test_too_few_frames_tell_nothing(known):
    """Fewer than three values give no usual value; missing and infinite ones do not count."""
    assert low([2.0] * known + [None, float("nan"), float("inf")]) is None


@pytest.mark.parametrize(("airmass", "growth"), [(1.5, 1.2754), (2.0, 1.5157)])
def test_seeing_grows_as_airmass_to_0_6(airmass, growth):
    """X^0.6: 1.2754 at 1.5, 1.5157 at 2 (Kolmogorov; ESO astroclimatology pages)."""
    assert width_at(1.0, 0.0, airmass) == pytest.approx(growth, abs=5e-5)


@given(st.floats(1, 10), st.floats(0, 1), st.floats(1, 3))
def test_the_floor_does_not_grow(zenith_px, share, airmass):
    """Only what is wider than optics and sampling grows, and taking it back gives the start."""
    floor_px = share * zenith_px
    low_down = width_at(zenith_px, floor_px, airmass)
    assert zenith_px - 1e-9 <= low_down <= zenith_px * airmass**0.6 + 1e-9
    assert width_at_zenith(low_down, floor_px, airmass) == pytest.approx(zenith_px)
    assert width_at(floor_px, floor_px, airmass) == pytest.approx(floor_px)


@pytest.mark.parametrize("q", [1.0, 0.9, 0.5, 0.1])
def test_eccentricity_of_ellipticity(q):
    """Axis ratio q is ellipticity (1-q)/(1+q) and eccentricity sqrt(1-q^2)."""
    found = eccentricity_of((1 - q) / (1 + q))
    assert found == pytest.approx(np.sqrt(1 - q * q), abs=1e-9)


def test_stretches_across_each_other_cancel():
    """Equal stretches at right angles are opposite ellipticities (spin two)."""
    one = ellipticity(frame("a", axis_ratio=0.8, elongation_deg=20.0))
    other = ellipticity(frame("b", axis_ratio=0.8, elongation_deg=110.0))
    assert one + other == pytest.approx(0, abs=1e-12)
    assert ellipticity(frame("c")) is None


FRAMES = st.lists(
    st.builds(
        lambda width, stars: (width, stars),
        st.one_of(st.none(), st.floats(1.5, 9)),
        st.integers(0, 2000),
    ),
    max_size=12,
)


@given(FRAMES, st.randoms(use_true_random=False))
def test_row_order_does_not_matter(values, random):
    """The same frames in another order have the same usual values."""
    made = [frame(str(i), fwhm_px=w, stars=n, hfr_px=w) for i, (w, n) in enumerate(values)]
    shuffled = list(made)
    random.shuffle(shuffled)
    for find in (usual_shape, usual_light, usual_count):
        assert find(shuffled) == find(made)


def test_filters_and_binnings_are_compared_apart():
    """Shapes compare within filter and binning, light within target, filter, gain and offset."""
    narrow = [frame(str(i), fwhm_px=2.0, gain=100.0) for i in range(4)]
    binned = [frame(f"b{i}", fwhm_px=1.0, gain=100.0, binning_x=2) for i in range(4)]
    found = by_group([*narrow, *binned], shape_group, usual_shape)
    assert {key: u.fwhm_px for key, u in found.items()} == {("L", 1): 2.0, ("L", 2): 1.0}
    assert light_group(narrow[0]) != light_group(frame("g", gain=0.0))


# --- what the path through the air does to one frame's light and sky -------------------------


def test_flux_at_zenith_gives_back_what_the_air_took():
    """k (X - 1) magnitudes by Bouguer's law: in L at 0.18 and X = 2 it is 10^(0.4 x 0.18) = 1.1803.

    1,180.3 ADU/s at zenith come as 1,000; a star of which no airmass is known stays as it is.
    """
    seen = frame("a", ranked_flux_adu_s=1000.0, airmass=2.0)
    assert flux_at_zenith(seen) == pytest.approx(1180.3, abs=0.05)
    assert flux_at_zenith(altered(seen, airmass=1.0)) == pytest.approx(1000.0)
    assert flux_at_zenith(altered(seen, airmass=None)) == pytest.approx(1000.0)
    assert flux_at_zenith(altered(seen, filter="B")) == pytest.approx(1258.9, abs=0.05)  # 10^0.1
    assert flux_at_zenith(frame("b", airmass=2.0)) is None


@pytest.mark.parametrize(
    ("airmass", "growth"),
    # X 10^(-0.4 k (X - 1)) at k = 0.18: 1.5 x 0.92045, 2 x 0.84723, 3 x 0.71779; below the
    # horizon's 3 the formula is not followed further. Krisciunas and Schaefer 1991, equation 2.
    [(1.0, 1.0), (1.5, 1.38067), (2.0, 1.69445), (3.0, 2.15338), (6.0, 2.15338), (None, 1.0)],
)
def test_sky_rate_at_zenith_takes_the_path_out(airmass, growth):
    """A sky of 3 ADU/s over head is brighter low down by its path, less what the air takes."""
    seen = frame("a", background_adu=500 + 300 * 3.0 * growth, pedestal_adu=500.0, airmass=airmass)
    assert sky_rate_at_zenith(seen) == pytest.approx(3.0, rel=1e-5)
    assert sky_rate_at_zenith(altered(seen, pedestal_adu=None)) is None


def test_a_sky_rate_is_per_second_and_without_the_pedestal():
    """1,100 ADU in 300 s over a pedestal of 500 are 2 ADU/s; never below none, never by 0 s."""
    seen = frame("a", background_adu=1100.0, pedestal_adu=500.0)
    assert sky_rate(seen) == 2.0
    assert sky_rate(altered(seen, background_adu=480.0)) == 0.0
    assert sky_rate(altered(seen, exposure_s=0.0)) is None


def test_the_narrowest_width_ever_sets_the_floor():
    """Guards the part of a width that does not grow with airmass: three quarters of the best."""
    run = clean_run(12, fwhm_px=2.4)
    assert usual_shape(run).floor_px == pytest.approx(0.75 * 2.4)
    assert usual_shape(run, 2.0).floor_px == pytest.approx(0.75 * 2.0)


def test_the_field_that_most_frames_show():
    """Guards which field is the run's own, and the share of frames on each."""
    run = changed(clean_run(12), range(3), matched_to="e" * 32)
    astray = {"shift_x_px": None, "shift_y_px": None}  # its stars were found nowhere
    aim = usual_aim(changed(run, range(3, 6), **astray))
    assert (aim.main, aim.main_share) == (REFERENCE, 0.5)
    assert (aim.share("e" * 32), aim.share("none")) == (0.25, 0.0)
    assert usual_aim([]).main is None
