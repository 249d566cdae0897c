"""Exposures whose every star stands twice, and what only looks like one.

The table over hundreds of fields is `python -m tests.bench.doubled`.
"""

import galsim
import numpy as np
import pytest
from scipy import signal

from runlog.measure import measure_frame
from runlog.measure.doubled import between_peaks, find_doubling, tops
from tests.measure.fields import (
    Sensor,
    doubled,
    draw_field,
    moffat,
    ring,
    sized,
    star_fluxes,
    trailed,
    truth_of,
)


def field_of(psf, reach_px, seed=1, **options):
    """Draw a small field of a PSF that reaches so far from its middle."""
    options = {"stars": 90, "height": 700, "width": 900} | options
    return draw_field(psf, seed=seed, truth=sized(reach_px), **options).pixels


@pytest.mark.parametrize(
    ("fwhm_px", "widths", "ratio"),
    [(1.6, 2.0, 0.5), (1.8, 4.5, 0.43), (2.6, 1.5, 0.9), (3.5, 7.5, 0.3), (6.5, 1.6, 0.6),
     (7.0, 6.0, 1.0)],
)  # fmt: skip
def test_doubled_stars_are_found_with_their_distance(fwhm_px, widths, ratio):
    """Guards near and far second images, faint and bright, narrow and wide: within 0.5 px."""
    apart = fwhm_px * widths
    psf = doubled(fwhm_px, apart, 70.0, ratio)
    found = measure_frame(field_of(psf, apart + 4 * fwhm_px))
    assert found.doubled_px == pytest.approx(apart, abs=max(0.5, 0.06 * apart))
    assert found.doubled_share > 0.7
    if widths < 5:  # both images were taken for one star: the width of the pair is told
        assert found.width_from == "moments"
    else:
        alone = truth_of(moffat(fwhm_px, 3.2)).fwhm_px
        assert found.fwhm_px == pytest.approx(alone, rel=0.05)
    assert any("stands twice" in note for note in found.notes)


def test_single_stars_of_every_shape_are_not_doubled():
    """Guards against false alarms: clean, trailed, defocused and crowded fields."""
    frames = [
        field_of(moffat(2.6), 12),
        field_of(moffat(4.5, 3.2, 0.6, 40), 20, stars=400),
        field_of(moffat(2.2), 12, stars=4000),
        *(field_of(trailed(2.4, length, 25), length + 10) for length in (4.0, 9.0, 18.0)),
        *(field_of(ring(outer, 0.35), outer, stars=60) for outer in (8, 20, 36)),
    ]
    assert [measure_frame(frame).doubled_px for frame in frames] == [None] * len(frames)


def slit_lines(long_px, bar_px, wide_px=2.0):
    """Make an image of a slit with a bar across: two pieces of a line along the columns."""
    piece = galsim.Convolve(galsim.Box(wide_px, long_px), galsim.Moffat(beta=3.2, fwhm=3.0))
    apart = long_px + bar_px
    return (piece.shift(0, -apart / 2) + piece.shift(0, apart / 2)) / 2


@pytest.mark.parametrize(("long_px", "bar_px"), [(10.0, 6.0), (14.0, 5.0), (20.0, 10.0)])
def test_lines_cut_in_two_are_no_doubled_stars(long_px, bar_px):
    """Guards lamp spectra through a slit with a bar, and trails in pieces: each image is long."""
    found = measure_frame(field_of(slit_lines(long_px, bar_px), 2 * long_px + bar_px))
    assert found.doubled_px is None
    assert found.stars > 0


@pytest.mark.parametrize("angle_deg", [0.0, 90.0])
def test_doubled_stars_along_the_pixels_are_still_found(angle_deg):
    """Guards real doubling along rows and columns, where lines of a spectrum lie as well."""
    found = measure_frame(field_of(doubled(3.0, 16.0, angle_deg, 0.9), 28))
    assert found.doubled_px == pytest.approx(16.0, abs=0.5)


def test_pairs_of_stars_in_the_sky_are_not_a_doubled_exposure():
    """Guards real close doubles: four of ten stars with a companion, each at its own offset."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 900, 200), rng.uniform(0, 700, 200)
    flux = star_fluxes(rng, 200, 22.6, 15.0, (30, 1500))
    apart, turn = rng.uniform(3, 20, 80), rng.uniform(0, 2 * np.pi, 80)
    given = (
        np.concatenate([x, x[:80] + apart * np.cos(turn)]),
        np.concatenate([y, y[:80] + apart * np.sin(turn)]),
        np.concatenate([flux, flux[:80] * rng.uniform(0.3, 1, 80)]),
    )
    drawn = draw_field(moffat(2.6), seed=3, height=700, width=900, given=given)
    assert measure_frame(drawn.pixels).doubled_px is None


def test_too_few_stars_say_nothing_of_doubling():
    """Guards against a verdict from a handful of stars."""
    psf = doubled(2.5, 10.0, 20.0, 0.7)
    pixels = field_of(psf, 20, stars=5, sensor=Sensor(hot_fraction=0.0, cosmic_rays=0))
    assert measure_frame(pixels).doubled_px is None


def test_a_flat_top_has_no_two_peaks():
    """Guards the dip: an even trail is one peak, two Gaussians 2 FWHM apart are two."""
    at = np.arange(-10, 10.1, 0.25)
    images = [np.exp(-0.5 * (at - middle) ** 2) for middle in np.linspace(-2.35, 2.35, 41)]
    assert between_peaks(np.sum(images, axis=0)) is None
    assert between_peaks(images[0] + images[-1]) == pytest.approx(4.7, abs=0.3)
    assert between_peaks(images[20]) is None


@pytest.mark.parametrize(("stars", "second", "told"), [(14, 8, False), (28, 17, True)])
def test_few_stars_with_a_neighbour_prove_nothing(stars, second, told):
    """Guards against an offset that chance finds among the few stars a tree leaves."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[-8:9, -8:9]
    star = 60 * np.exp(-(x**2 + y**2) / 2)
    light = rng.normal(0, 1, (700, 900)).astype(np.float32)
    columns, rows = rng.integers(100, 780, stars), rng.integers(100, 580, stars)
    for k, (column, row) in enumerate(zip(columns, rows, strict=True)):
        light[row - 8 : row + 9, column - 8 : column + 9] += star
        if k < second:
            light[row + 12 : row + 29, column + 8 : column + 25] += star / 2
    assert (find_doubling(light, columns, rows, 1, 2.35, 0.0, 0.0) is not None) == told


def test_a_slope_of_the_sky_is_no_second_image():
    """Guards against light beside faint stars only, as the edge of an obstruction leaves it."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[-8:9, -8:9]
    star = np.exp(-(x**2 + y**2) / 2)
    light = rng.normal(0, 1, (700, 900)).astype(np.float32)
    columns, rows = rng.integers(100, 780, 40), rng.integers(100, 580, 40)
    for k, (column, row) in enumerate(zip(columns, rows, strict=True)):
        light[row - 8 : row + 9, column - 8 : column + 9] += (900 if k < 15 else 40) * star
        light[row + 12 : row + 29, column + 8 : column + 25] += 20 * star
    assert find_doubling(light, columns, rows, 1, 2.35, 0.0, 0.0) is None


def test_a_small_frame_has_no_second_image_beyond_its_stamps():
    """Guards parts of a sensor: what lies farther off than can be compared is not told."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:42, :42]
    light = rng.normal(0, 1, (42, 42)).astype(np.float32)
    columns, rows = rng.integers(8, 34, 30), rng.integers(8, 34, 30)
    for column, row in zip(columns, rows, strict=True):
        for apart in (0, 10):
            light += 500 * np.exp(-((x - column - apart) ** 2 + (y - row) ** 2) / 3.2)
    found = find_doubling(light, columns, rows, 1, 3.0, 0.3, 0.0)
    assert found is None or found.apart_px <= 7  # a sixth of the frame's side


def test_tops_are_those_of_scipy():
    """Guards tops of one pixel, level ones, slopes at the ends and a profile without any."""
    rng = np.random.default_rng(1)
    profiles = [
        rng.integers(0, 4, n).astype(float) for n in (1, 2, 3, 9, 40, 200) for _ in range(20)
    ]
    for profile in [*profiles, np.zeros(7), np.arange(5.0)]:
        np.testing.assert_array_equal(tops(profile), signal.find_peaks(profile)[0])
