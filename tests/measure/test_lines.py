"""Lines of the sensor, of edges and of stars are no trails; satellites along its rows are."""

import numpy as np
import pytest

from runlog.measure import measure_frame
from tests.measure.defects import (
    bloom,
    dark_edge,
    dead_rows,
    hot_column,
    overscan,
    readout_smear,
    row_glitch,
    seam,
    smear,
)
from tests.measure.fields import add_line, draw_field, moffat


def star_frame(seed, fwhm_px=2.6, stars=250):
    return draw_field(moffat(fwhm_px), seed=seed, stars=stars, height=700, width=900)


def brightest(drawn, count):
    """Whole-pixel places of the brightest stars inside the frame."""
    height, width = drawn.pixels.shape
    places = np.rint(np.column_stack([drawn.x, drawn.y])[np.argsort(-drawn.flux_e)]).astype(int)
    inside = (places > 10).all(axis=1) & (places < [width - 10, height - 10]).all(axis=1)
    return places[inside][:count]


@pytest.mark.parametrize("fwhm_px", [1.6, 3.5])
@pytest.mark.parametrize(("width_px", "sigmas"), [(1, 5), (1, 300), (2, 5), (2, 40), (3, 30)])
def test_hot_columns_and_rows_are_neither_trails_nor_stars(fwhm_px, width_px, sigmas):
    """Guards hot lines of all strengths, whole and from midway on: no trail, no star, no width."""
    drawn, rng = star_frame(1, fwhm_px), np.random.default_rng(width_px)
    before = measure_frame(drawn.pixels)
    hot = drawn.pixels.copy()
    for column, first in ((111, 0), (430, 300), (777, 0)):
        hot_column(hot, column, width_px, sigmas * drawn.noise_e, first, 700, rng)
    hot_column(hot.T, 333, width_px, sigmas * drawn.noise_e, 100, 900, rng)
    after = measure_frame(hot)
    assert after.streaks == ()
    assert after.stars == pytest.approx(before.stars, rel=0.03)
    assert after.fwhm_px == pytest.approx(before.fwhm_px, rel=0.01)


@pytest.mark.parametrize("rows", [1, 2, 8])
def test_dead_rows_take_nothing_from_the_stars(rows):
    """Guards rows without light: as many stars as before, as wide."""
    drawn = star_frame(2)
    before = measure_frame(drawn.pixels)
    after = measure_frame(dead_rows(drawn.pixels, 40 + 80 * np.arange(rows)))
    assert after.streaks == ()
    assert after.stars == pytest.approx(before.stars, rel=0.03)
    assert after.fwhm_px == pytest.approx(before.fwhm_px, rel=0.01)


@pytest.mark.parametrize("seed", [3, 4])
def test_edges_are_no_trails(seed):
    """Guards overscan, masks with hard and soft edges, and the seam of two amplifiers."""
    drawn, rng = star_frame(seed), np.random.default_rng(seed)
    spoilt = [
        *(overscan(drawn.pixels, width, 200, rng) for width in (8, 32, 50)),
        *(dark_edge(drawn.pixels, rows, ramp, 200)
          for rows, ramp in ((10, 4), (30, 8), (34, 3), (20, 20), (60, 30))),
        *(seam(drawn.pixels, share) for share in (0.02, 0.1, 0.4)),
        *(row_glitch(drawn.pixels, 400, rows, 90) for rows in (1, 3, 20)),
    ]  # fmt: skip
    assert [measure_frame(pixels).streaks for pixels in spoilt] == [()] * len(spoilt)


@pytest.mark.parametrize("turn", [0, 1, 2])
def test_smeared_and_spilt_charge_is_no_trail(turn):
    """Guards tails to one side of bright stars, blooming, and light caught while reading out."""
    drawn, rng = star_frame(5), np.random.default_rng(5)
    places = brightest(drawn, 5)
    tailed, spilt, smeared = (drawn.pixels.copy() for _ in range(3))
    for x, y in places:
        smear(tailed, x, y, 100 * drawn.noise_e, 120, turn)
        bloom(spilt, x, y, 150, 65535, rng)
    (x, y), wide = places[0], slice(-2, 3)
    smeared[y + wide.start : y + wide.stop, x + wide.start : x + wide.stop] = 65535
    readout_smear(smeared, x, 8 * drawn.noise_e, 2.6)
    assert [measure_frame(pixels).streaks for pixels in (tailed, spilt, smeared)] == [()] * 3


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
@pytest.mark.parametrize("fwhm_px", [1.6, 2.6])
def test_tails_in_nearly_one_row_are_no_trail_but_one_across_them_is(turn, fwhm_px):
    """Guards tails that lie in line, or in steps, and a slow trail through their stars."""
    drawn = star_frame(9, fwhm_px, stars=150)
    pixels = drawn.pixels.copy()
    turned = np.rot90(pixels, turn)  # a view, in which the tails run to the right
    spots = [(60, 300), (260, 303), (440, 301), (90, 500), (400, 504)]
    at = np.arange(-12, 13)
    star = np.exp(-4 * np.log(2) * (at[:, None] ** 2 + at**2) / fwhm_px**2)
    for x, y in spots:
        spot = np.s_[y - 12 : y + 13, x - 12 : x + 13]
        turned[spot] = np.minimum(turned[spot] + 900 * drawn.noise_e * star, 65000)
        smear(turned, x, y, 50 * drawn.noise_e, 60, 0)
    assert measure_frame(pixels).streaks == ()
    crossed = np.rot90(pixels, turn).copy()
    end = crossed.shape[1] - 1
    add_line(crossed, (0, 294, end, 294 + 0.03 * end), 6 * drawn.noise_e, 2.6, seed=2)
    (streak,) = measure_frame(np.rot90(crossed, -turn).copy()).streaks
    length = np.hypot(streak.x1 - streak.x0, streak.y1 - streak.y0)
    assert length > 0.6 * crossed.shape[1]  # tails beside it may pull its far end off


@pytest.mark.parametrize("fwhm_px", [1.8, 2.6, 5.0, 8.0])
@pytest.mark.parametrize("drift_px", [0.0, 0.6, 3.0, 10.0])
def test_a_trail_along_a_column_or_row_is_found(fwhm_px, drift_px):
    """Guards satellites that happen to run along the sensor's grid: as wide as a star, so found."""
    for turned in (False, True):
        drawn = star_frame(6, fwhm_px, stars=120)
        line = (410.3, 0, 410.3 + drift_px, 699)
        if turned:
            line = (0, 310.3, 899, 310.3 + drift_px)
        add_line(drawn.pixels, line, 8 * drawn.noise_e, fwhm_px, seed=1)
        (streak,) = measure_frame(drawn.pixels).streaks
        seen = np.array([streak.x0, streak.y0, streak.x1, streak.y1])
        assert min(np.abs(seen - line).max(), np.abs(seen[[2, 3, 0, 1]] - line).max()) < 3
