"""Satellite trails found with their ends, and nothing else taken for one."""

import numpy as np
import pytest

from runlog.core.frame import Streak
from runlog.measure import measure_frame
from runlog.measure.trail import with_ends
from tests.measure.fields import Sensor, add_galaxy, add_line, add_spikes, draw_field, moffat


def star_frame(seed, **options):
    return draw_field(moffat(2.8), seed=seed, stars=300, height=900, width=1200, **options)


@pytest.mark.parametrize("ends", [(100, 120, 1100, 700), (300, 0, 420, 899), (1199, 500, 0, 560)])
def test_a_trail_of_three_sigma_is_found_with_its_ends(ends):
    """Guards faint trails (3 sigma a pixel): one found, ends within 4 px."""
    drawn = star_frame(1)
    add_line(drawn.pixels, ends, 3 * drawn.noise_e, 3.0, seed=1)
    streaks = measure_frame(drawn.pixels).streaks
    assert len(streaks) == 1
    seen = np.array([streaks[0].x0, streaks[0].y0, streaks[0].x1, streaks[0].y1])
    same = min(np.abs(seen - ends).max(), np.abs(seen[[2, 3, 0, 1]] - ends).max())
    assert same < 4  # frame pixels; the drawn light goes on for half its width beyond the end


def test_two_crossing_trails_are_two():
    """Guards crossing trails: each keeps its own line."""
    drawn = star_frame(2)
    add_line(drawn.pixels, (100, 100, 1100, 800), 6 * drawn.noise_e, 3.0, seed=1)
    add_line(drawn.pixels, (150, 780, 1000, 90), 6 * drawn.noise_e, 3.0, seed=2)
    assert len(measure_frame(drawn.pixels).streaks) == 2


def test_a_trail_that_leaves_the_frame_ends_at_its_edges():
    """Guards ends beyond the frame: named where the line crosses the edge, to a pixel."""
    drawn = star_frame(5)
    add_line(drawn.pixels, (-200, 100, 1500, 1000), 5 * drawn.noise_e, 3.0, seed=1)
    (streak,) = measure_frame(drawn.pixels).streaks
    slope = 900 / 1700
    ends = (0, 100 + 200 * slope, 1199, 100 + 1399 * slope)
    assert (streak.x0, streak.y0, streak.x1, streak.y1) == pytest.approx(ends, abs=1)


@pytest.mark.parametrize("sigmas", [8, 30, 200, 2000, 8000])
@pytest.mark.parametrize("fwhm_px", [5.0, 8.0])
def test_bright_trails_under_wide_stars_are_found(sigmas, fwhm_px):
    """Guards trails that are no thin line on fine blocks, and the stars beside them."""
    drawn = draw_field(moffat(fwhm_px), seed=6, stars=200, height=768, width=1024)
    before = measure_frame(drawn.pixels)
    ends = (60, 640, 980, 90)
    add_line(drawn.pixels, ends, sigmas * drawn.noise_e, fwhm_px, seed=1)
    after = measure_frame(drawn.pixels)
    (streak,) = after.streaks
    seen = np.array([streak.x0, streak.y0, streak.x1, streak.y1])
    # the drawn light goes on for half a width; a star at an end may add as much again
    assert min(np.abs(seen - ends).max(), np.abs(seen[[2, 3, 0, 1]] - ends).max()) < 1.6 * fwhm_px
    assert after.fwhm_px == pytest.approx(before.fwhm_px, rel=0.03)
    assert after.stars == pytest.approx(before.stars, rel=0.12)


def test_a_trail_changes_neither_count_nor_width():
    """Guards the stars of a frame with a bright trail."""
    drawn = star_frame(3)
    before = measure_frame(drawn.pixels)
    add_line(drawn.pixels, (10, 850, 1190, 40), 30 * drawn.noise_e, 3.0, seed=1)
    after = measure_frame(drawn.pixels)
    assert after.stars == pytest.approx(before.stars, rel=0.06)
    assert after.fwhm_px == pytest.approx(before.fwhm_px, rel=0.02)


def test_galaxies_spikes_and_bad_columns_are_no_trails():
    """Guards against false alarms: edge-on galaxies, a spiked star, hot rows and columns."""
    drawn = star_frame(4, sensor=Sensor(cosmic_rays=80))
    for k in range(4):
        add_galaxy(drawn.pixels, 200 + 250 * k, 300 + 90 * k, 4e5, 40, 0.15, 35 * k)
    add_spikes(drawn.pixels, 800, 600, 40 * drawn.noise_e, 200, 20)
    drawn.pixels[:, 333] += 400
    drawn.pixels[444, :] += 300
    assert measure_frame(drawn.pixels).streaks == ()


def test_crowded_clean_frames_have_no_trails():
    """Guards chance alignments of thousands of stars."""
    for seed in range(3):
        drawn = draw_field(moffat(3.5), seed=seed, stars=3000, height=900, width=1200)
        assert measure_frame(drawn.pixels).streaks == ()


def test_a_bright_trail_does_not_change_the_stars():
    """Guards width and star count of a frame that a bright trail crosses."""
    random = np.random.default_rng(12)
    height, width, sigma = 500, 700, 1.1
    y, x = np.mgrid[:height, :width]
    picture = 600 + 6 * random.standard_normal((height, width))
    for _ in range(220):
        cy, cx = random.uniform(8, height - 8), random.uniform(8, width - 8)
        box = np.s_[int(cy) - 8 : int(cy) + 9, int(cx) - 8 : int(cx) + 9]
        power = np.exp(-((y[box] - cy) ** 2 + (x[box] - cx) ** 2) / (2 * sigma**2))
        picture[box] += 200 * (1 + random.pareto(1.5)) * power
    clean = measure_frame(picture)
    off = (x - 10) * np.sin(0.3) - (y - 150) * np.cos(0.3)
    crossed = measure_frame(picture + 900 * np.exp(-(off**2) / (2 * sigma**2)))
    assert len(crossed.streaks) == 1
    assert crossed.fwhm_px == pytest.approx(clean.fwhm_px, rel=0.03)
    assert crossed.stars == pytest.approx(clean.stars, rel=0.1)


def test_a_line_whose_middle_lies_outside_ends_at_the_edge():
    """Guards a line that its fit carried out of a small frame: it ends where the frame does."""
    light = np.zeros((100, 100), np.float32)
    lit = np.arange(50, 100)
    light[lit, lit] = 100
    found = with_ends(light, Streak(50.0, 50.0, 250.0, 250.0), 3.0)
    assert (found.x0, found.y0, found.x1, found.y1) == pytest.approx((50, 50, 99, 99), abs=1.5)
