"""The second opinion agrees where both mean the same thing, and says so where they do not."""

import galsim
import numpy as np
import pytest

from runlog.core.frame import Measurement
from runlog.measure import measure_frame
from runlog.measure.second_opinion import as_sampled, second_opinion
from tests.measure.fields import Sensor, draw_field, moffat

FWHM_PX = 3.2


@pytest.fixture(scope="module")
def field():
    """Stars of which most are bright enough for photutils' five pixels over three sigma."""
    return draw_field(
        moffat(FWHM_PX), seed=11, stars=150, height=500, width=700, snr_range=(40, 900),
        sensor=Sensor(hot_fraction=0.0, cosmic_rays=3),
    )  # fmt: skip


@pytest.fixture(scope="module")
def opinion(field):
    return second_opinion(field.pixels, measure_frame(field.pixels))


def test_sky_and_noise_agree(opinion, field):
    """Guards the mesh: both know the drawn sky to 0.3 % and its noise to 4 %."""
    assert opinion.background_adu.photutils == pytest.approx(700, rel=0.003)
    assert opinion.background_adu.runlog == pytest.approx(700, rel=0.003)
    assert opinion.noise_adu.photutils == pytest.approx(field.noise_e, rel=0.04)
    assert opinion.noise_adu.difference == pytest.approx(0, abs=0.04 * field.noise_e)


def test_widths_and_radii_are_those_that_were_drawn(opinion, field):
    """Guards the calls: photutils is within 8 % of the truth; a Gaussian reads a Moffat wide."""
    assert opinion.stars_compared >= 50
    assert opinion.fwhm_px.photutils == pytest.approx(field.truth.fwhm_px, rel=0.08)
    assert f"as sampled {as_sampled(opinion.fwhm_px.photutils):.2f}" in opinion.fwhm_px.words
    assert opinion.hfr_px.photutils == pytest.approx(field.truth.hfr_px, rel=0.05)


def test_single_stars_are_longer_than_their_mean(opinion):
    """Guards the words: round stars look elongated one by one, and not on average."""
    assert opinion.eccentricity.photutils > 0.2
    told = float(opinion.eccentricity.words.rsplit(" ", 1)[1])
    assert told < opinion.eccentricity.photutils
    assert opinion.eccentricity.runlog < 0.15


def test_both_find_the_same_stars(opinion):
    """Guards matching: nearly all listed stars are sources of photutils too."""
    assert opinion.listed_stars.photutils >= 0.85 * opinion.listed_stars.runlog
    assert opinion.sources.runlog is None
    assert opinion.sources.photutils > 80


def test_aperture_sums_are_the_drawn_light_less_the_wings(opinion):
    """Guards fluxes: three half-flux radii hold 93 to 99 % of a Moffat's light."""
    ratio = opinion.flux_adu.photutils / opinion.flux_adu.runlog
    assert 0.93 < ratio < 0.99
    assert "Median ratio" in opinion.flux_adu.words


def test_full_stars_are_left_out():
    """Guards the choice: stars with a full pixel have no width of their own."""
    field = draw_field(
        moffat(FWHM_PX), seed=12, stars=60, height=400, width=500, snr_range=(200, 6000),
        sensor=Sensor(hot_fraction=0.0, cosmic_rays=0, full_adu=8000.0),
    )  # fmt: skip
    found = measure_frame(field.pixels)
    seen = second_opinion(field.pixels, found)
    assert found.clipped_stars > 0
    assert 5 <= seen.stars_compared <= found.stars - found.clipped_stars
    assert seen.fwhm_px.photutils == pytest.approx(field.truth.fwhm_px, rel=0.1)


def test_a_mosaic_is_fitted_on_its_green():
    """Guards colour: with red at half its light the fitted width stays that of the stars."""
    field = draw_field(
        moffat(FWHM_PX), seed=13, stars=120, height=500, width=600, snr_range=(80, 900),
        sensor=Sensor(hot_fraction=0.0, cosmic_rays=0),
    )  # fmt: skip
    mosaic = field.pixels.copy()
    mosaic[::2, ::2] = 150 + mosaic[::2, ::2] // 2
    seen = second_opinion(mosaic, measure_frame(mosaic, bayer="RGGB"), bayer="RGGB")
    assert seen.fwhm_px.photutils == pytest.approx(field.truth.fwhm_px, rel=0.08)
    assert seen.background_adu.photutils == pytest.approx(700, rel=0.01)


def test_planes_of_colour_are_averaged(field):
    """Guards 3-plane pictures: equal planes give what one of them gives."""
    planes = np.stack([field.pixels] * 3)
    seen = second_opinion(planes, measure_frame(planes))
    assert seen.fwhm_px.photutils == pytest.approx(field.truth.fwhm_px, rel=0.08)


def test_few_stars_are_told(field):
    """Guards modesty: medians of three stars are given with a word that they say little."""
    few = draw_field(
        galsim.Gaussian(fwhm=3.0), seed=14, height=300, width=400,
        given=(np.array([80.0, 200.0, 320.0]), np.array([90.0, 200.0, 120.0]),
               np.full(3, 60_000.0)),
        sensor=Sensor(hot_fraction=0.0, cosmic_rays=0),
    )  # fmt: skip
    seen = second_opinion(few.pixels, measure_frame(few.pixels))
    assert seen.remark == "only 3 stars: medians of so few say little"
    assert seen.fwhm_px.photutils == pytest.approx(3.0, rel=0.05)


def test_no_star_is_told():
    """Guards empty skies: background and noise are compared, and why nothing else is."""
    pixels = np.random.default_rng(1).normal(500, 20, (200, 300)).astype(np.float32)
    seen = second_opinion(pixels, measure_frame(pixels))
    assert seen.remark == "runlog gives no width to compare with: no stars found"
    assert seen.noise_adu.photutils == pytest.approx(20, rel=0.05)
    assert seen.fwhm_px.photutils is None
    assert seen.fwhm_px.difference is None


def test_frames_without_stars_compare_level_and_noise():
    """Guards darks: hot pixels are not counted as stars, as nobody asked for stars."""
    dark = np.random.default_rng(2).normal(300, 8, (200, 300)).round().astype(np.uint16)
    dark[::17, ::23] = 5000
    known = Measurement(background_adu=300.0, noise_adu=8.0, notes=("dark frame: no stars",))
    seen = second_opinion(dark, known, has_stars=False)
    assert seen.background_adu.photutils == pytest.approx(300, rel=0.005)
    assert seen.remark == "dark frame: no stars"
    assert seen.stars.photutils is None


@pytest.mark.parametrize(
    ("pixels", "words"),
    [
        (np.zeros((5,), np.float32), "no two-dimensional picture"),
        (np.full((60, 60), np.nan, np.float32), "no finite pixel"),
        (np.full((60, 60), 7, np.uint16), "no noise"),
    ],
)
def test_what_cannot_be_measured_says_why(pixels, words):
    """Guards bad content: words, not an exception."""
    assert words in (second_opinion(pixels, measure_frame(pixels)).remark or "")


def test_a_tiny_and_a_holed_frame_do_not_fail(field):
    """Guards odd frames: pixels that are not finite, and fewer of them than a tile holds."""
    holed = field.pixels.astype(np.float32)
    holed[100:140, 200:260] = np.nan
    seen = second_opinion(holed, measure_frame(holed))
    assert seen.fwhm_px.photutils == pytest.approx(field.truth.fwhm_px, rel=0.08)
    tiny = field.pixels[:20, :20]
    assert second_opinion(tiny, measure_frame(tiny)).background_adu.photutils is not None
