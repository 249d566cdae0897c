"""What is no field of stars has no width, or one whose error says so; stars among it are found."""

import numpy as np
import pytest

from runlog.core.grading.baseline import LINES_AXIS_RATIO
from runlog.measure import measure_frame
from tests.measure.fields import Sensor, draw_field, moffat, trailed
from tests.measure.unlike import galaxies, knots, lamp, lamp_lines, spectrum, stars_among_rays


@pytest.mark.parametrize("seed", range(3))
def test_a_spectrum_has_no_stars_and_no_width(seed):
    """Guards spectra: traces, lines of the sky and 60 cosmic rays are no stars."""
    found = measure_frame(spectrum(seed))
    assert found.fwhm_px is None
    assert found.eccentricity is None
    assert found.stars <= 5
    assert found.notes


@pytest.mark.parametrize("seed", range(3))
def test_a_lamp_has_no_stars_and_no_width(seed):
    """Guards lit screens: dust, specks, hot pixels and uneven pixels are no stars."""
    found = measure_frame(lamp(seed))
    assert found.fwhm_px is None
    assert found.stars <= 10
    assert found.notes


@pytest.mark.parametrize("seed", range(3))
def test_a_lamps_lines_have_the_shape_of_lines(seed):
    """Guards what grading tells lines from stars by: long, and all one way."""
    found = measure_frame(lamp_lines(seed))
    assert found.axis_ratio < LINES_AXIS_RATIO
    assert found.alignment > 0.9
    assert found.doubled_share is None


@pytest.mark.parametrize(
    ("seed", "count"), [(0, 1), (1, 1), (3, 1), (0, 3), (1, 3), (0, 8), (2, 8)]
)
def test_galaxies_alone_give_no_width_to_rely_on(seed, count):
    """Guards cut-outs without a star: no width, or a note and an error of 10 % and more."""
    found = measure_frame(galaxies(seed, count))
    assert found.notes
    assert found.fwhm_px is None or found.fwhm_px_err > 0.1 * found.fwhm_px
    assert found.eccentricity is None or found.eccentricity_err > 0.1


@pytest.mark.parametrize("seed", range(5))
def test_few_stars_among_many_knots_give_the_width(seed):
    """Guards a near galaxy: 12 stars among 120 knots of nebula give their own width (6 %)."""
    found = measure_frame(knots(seed, fwhm_px=2.4))
    # 2.4 px before the pixel: GalSim draws 2.54 px with it (see fields.truth_of)
    assert found.fwhm_px == pytest.approx(2.54, rel=0.06)
    assert found.eccentricity < 0.3


@pytest.mark.parametrize(("fwhm_px", "stars"), [(7.6, 2), (5.0, 3), (3.0, 2)])
def test_two_or_three_stars_give_a_width_with_a_large_error(fwhm_px, stars):
    """Guards few stars among 40 cosmic rays: width right (5 %), note and error say how unsure."""
    pixels, truth_px = stars_among_rays(3, fwhm_px, stars, rays=40)
    found = measure_frame(pixels)
    assert found.fwhm_px == pytest.approx(truth_px, rel=0.05)
    assert found.fwhm_px_err > 0.05 * found.fwhm_px
    assert any(f"only {stars} things" in note for note in found.notes)


def test_one_star_less_does_not_change_the_shape():
    """Guards the least count: 9 single stars and many pairs read as round as 10 do.

    Below ten single stars blended ones are taken too, all of them at once before.
    """
    rng = np.random.default_rng(8)
    pairs = rng.uniform(40, 760, (60, 2))
    singles = np.array([(60 + 75 * k, 820.0) for k in range(10)])
    shapes = []
    for count in (10, 9):
        at = np.vstack([pairs, pairs + np.array([4.0, 0.0]), singles[:count]])
        flux = np.concatenate([np.full(120, 9000.0), np.full(count, 30000.0)])
        drawn = draw_field(moffat(2.6), seed=3, height=900, width=800, given=(*at.T, flux),
                           sensor=Sensor(cosmic_rays=0))  # fmt: skip
        shapes.append(measure_frame(drawn.pixels))
    assert abs(shapes[0].eccentricity - shapes[1].eccentricity) < 0.15
    assert shapes[1].fwhm_px == pytest.approx(shapes[0].fwhm_px, rel=0.05)


@pytest.mark.parametrize(("fwhm_px", "length_px"), [(1.3, 2.0), (1.3, 3.0), (1.4, 6.0)])
def test_narrow_trailed_stars_read_no_longer_than_drawn(fwhm_px, length_px):
    """Guards undersampled trails: width within 4 %, eccentricity within 0.03 of GalSim's."""
    drawn = draw_field(trailed(fwhm_px, length_px, 10), seed=4, stars=300)
    found = measure_frame(drawn.pixels)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.04)
    assert found.eccentricity == pytest.approx(drawn.truth.eccentricity, abs=0.03)


def test_stars_with_a_tail_keep_their_width():
    """Guards charge smeared to one side: half-maximum area (5 %) and shape of the drawn star.

    Truth is GalSim's drawing of the same comet: a star and weaker copies of it to its right.
    """
    star = moffat(1.5, 3.0)
    comet = sum((0.75**k * star.shift(0.35 * k, 0) for k in range(1, 9)), star) / 3.7
    drawn = draw_field(comet, seed=6, stars=400, sensor=Sensor(sky_e=50))
    found = measure_frame(drawn.pixels)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.05)
    assert found.eccentricity == pytest.approx(drawn.truth.eccentricity, abs=0.04)


@pytest.mark.parametrize("step", [1, 4, 16])
@pytest.mark.parametrize("sigma", [0.8, 1.0, 1.4, 2.0])
def test_noise_of_few_steps_is_the_drawn_one(sigma, step):
    """Guards low noise in whole numbers, also stored times 4 or 16: within 4 % of the drawn one.

    Rounding is noise too: its variance, a twelfth of the step's square, is part of the truth.
    """
    rng = np.random.default_rng([int(10 * sigma), step])
    y = np.arange(900)[:, None] / 900
    light = 300.3 + 3 * y + rng.normal(0, sigma, (900, 1200))
    found = measure_frame((np.rint(light) * step).astype(np.uint16))
    assert found.noise_adu == pytest.approx(np.hypot(sigma, 12**-0.5) * step, rel=0.04)
    assert found.background_adu == pytest.approx(301.8 * step, abs=0.5 * step)
