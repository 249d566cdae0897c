"""The whole measurement of drawn frames against GalSim's truth.

The full accuracy table over hundreds of fields is `python -m tests.bench.accuracy`; here a few
fields of each kind, with the limits of that table.
"""

import numpy as np
import pytest

from runlog.measure import frame, measure_frame
from runlog.measure.frame import with_ellipse
from tests.measure.fields import (
    Sensor,
    add_galaxy,
    draw_field,
    kolmogorov,
    moffat,
    ring,
    sized,
    trailed,
    truth_of,
)


def eccentricity(axis_ratio):
    return np.sqrt(1 - axis_ratio**2)


@pytest.mark.parametrize(
    ("psf", "stars"),
    [
        (moffat(1.5, 2.5), 300),
        (moffat(1.6, 4.7, 0.6, 37), 500),
        (moffat(2.2, 3.0, 0.9, 100), 200),
        (moffat(2.8, 3.5), 1500),
        (kolmogorov(3.4, 0.8, 120), 400),
        (moffat(4.5, 2.6, 0.55, 10), 250),
        (moffat(6.5, 3.2), 120),
        (moffat(8.0, 4.5, 0.7, 75), 300),
    ],
    ids=["1.5", "1.6 long", "2.2", "2.8 crowded", "kolmogorov", "4.5 long", "6.5", "8"],
)
def test_width_shape_and_angle_are_those_drawn(psf, stars):
    """Guards FWHM (4 %, 6 % under 2 px), axis ratio and angle against GalSim's truth."""
    drawn = draw_field(psf, seed=11, stars=stars, height=900, width=1200)
    found, truth = measure_frame(drawn.pixels), drawn.truth
    assert found.width_from == "moffat"
    assert found.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.06 if truth.fwhm_px < 2 else 0.04)
    assert found.axis_ratio == pytest.approx(truth.axis_ratio, abs=0.02)
    assert found.hfr_px == pytest.approx(truth.hfr_px, rel=0.05)
    if truth.eccentricity > 0.5:
        assert abs((found.elongation_deg - truth.elongation_deg + 90) % 180 - 90) < 3
    assert 0 < found.fwhm_px_err < 0.05 * truth.fwhm_px


def test_round_stars_read_round():
    """Guards the noise floor of the eccentricity: 100 round stars at S/N 50 read e under 0.15.

    Averaging each star's own eccentricity would read near 0.4.
    """
    for seed in (1, 2, 3):
        drawn = draw_field(moffat(2.6), seed=seed, stars=100, snr_range=(50, 50.001))
        found = measure_frame(drawn.pixels)
        assert found.eccentricity < 0.15
        assert found.alignment < 0.5


def test_round_fields_have_honest_ellipticity_errors(monkeypatch):
    """Guards the components' error: 68 % of 160 (80 round fields) within it, give or take 15.

    8 % are allowed for the error itself, 7 % are twice the binomial error of 160 draws. The
    eccentricity that is shown is never a bare 0.00: it has an error, and value less error
    reaches round in many fields.
    """
    seen = []

    def watched(base, e1, e2, noise, error):
        seen.append((e1 / error, e2 / error))
        return with_ellipse(base, e1, e2, noise, error)

    monkeypatch.setattr(frame, "with_ellipse", watched)
    found = [
        measure_frame(
            draw_field(moffat(2.2 + 0.1 * (k % 40)), seed=200 + k, stars=60, height=500, width=600,
                       snr_range=(30, 400), truth=sized(10.0)).pixels
        )
        for k in range(80)
    ]  # fmt: skip
    assert len(seen) == 80
    assert 0.53 < np.mean(np.abs(seen) < 1) < 0.83
    value = np.array([one.eccentricity for one in found])
    error = np.array([one.eccentricity_err for one in found])
    assert ((value > 0) & (error > 0.01) & (error < 0.15)).all()
    assert np.mean(value <= error) > 0.4


def test_a_trail_aligns_all_stars():
    """Guards the sign of trailing: elongation along the drawn direction, alignment near 1."""
    drawn = draw_field(trailed(2.4, 5.0, 25), seed=4, stars=300)
    found = measure_frame(drawn.pixels)
    assert found.eccentricity == pytest.approx(drawn.truth.eccentricity, abs=0.03)
    assert found.elongation_deg == pytest.approx(25, abs=2)
    assert found.alignment > 0.95


def test_a_long_trail_gets_a_width_without_a_model():
    """Guards the hand-over: stars six times longer than wide still get a width and direction."""
    drawn = draw_field(trailed(2.4, 15.0, 130), seed=5, stars=250)
    found = measure_frame(drawn.pixels)
    assert found.width_from == "moments"
    assert any("no Moffats" in note for note in found.notes)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.06)
    assert found.elongation_deg == pytest.approx(130, abs=2)
    assert found.alignment > 0.9


@pytest.mark.parametrize(("outer_px", "obstruction"), [(8, 0.35), (20, 0.0), (40, 0.35)])
def test_defocused_rings_are_stars_with_a_half_flux_radius(outer_px, obstruction):
    """Guards rings and discs: found, counted, half-flux radius within 5 %."""
    drawn = draw_field(
        ring(outer_px, obstruction), seed=6, stars=80, height=1200, width=1500,
        snr_range=(40, 1000), separation_px=2.2 * outer_px,
    )  # fmt: skip
    found = measure_frame(drawn.pixels)
    assert found.hfr_px == pytest.approx(drawn.truth.hfr_px, rel=0.05)
    assert 0.85 * len(drawn.x) < found.stars < 1.06 * len(drawn.x)


def test_hot_pixels_and_cosmic_rays_are_not_stars():
    """Guards the count: thousands of hot pixels change neither it nor the width.

    At 0.2 % a twentieth of narrow stars has a hot pixel in its 5x5 pixels and is not counted.
    """
    clean = Sensor(hot_fraction=0.0, cosmic_rays=0)
    dirty = Sensor(hot_fraction=2e-3, cosmic_rays=200)
    for fwhm in (1.6, 2.8, 5.0):
        a, b = (
            measure_frame(draw_field(moffat(fwhm), seed=7, stars=150, sensor=sensor).pixels)
            for sensor in (clean, dirty)
        )
        assert b.stars == pytest.approx(a.stars, rel=0.1)
        assert b.fwhm_px == pytest.approx(a.fwhm_px, rel=0.02)


def test_a_frame_of_hot_pixels_alone_has_no_stars():
    """Guards against a width made of defects: no star drawn, none reported, no width."""
    drawn = draw_field(moffat(2.5), seed=8, stars=0, sensor=Sensor(hot_fraction=2e-3))
    found = measure_frame(drawn.pixels)
    assert found.stars <= 2
    assert found.fwhm_px is None
    assert found.notes


def test_ten_sigma_stars_are_found_and_nothing_else():
    """Guards completeness (95 % at 10 sigma) and purity by position, on one field."""
    drawn = draw_field(
        moffat(2.6), seed=9, stars=160, snr_range=(9.8, 60), separation_px=14, height=1200,
        width=1500,
    )  # fmt: skip
    found = measure_frame(drawn.pixels)
    inside = (drawn.x > 4) & (drawn.x < 1495) & (drawn.y > 4) & (drawn.y < 1195)
    listed = np.column_stack([found.star_list.x, found.star_list.y])
    true = np.column_stack([drawn.x, drawn.y])
    gap = np.hypot(*(true[:, None, :] - listed[None]).transpose(2, 0, 1))
    assert np.mean(gap[inside].min(axis=1) < 1.5) >= 0.95
    assert np.count_nonzero(gap.min(axis=0) > 3) <= 2


def test_star_list_is_ordered_and_right():
    """Guards positions (0.1 px) and total fluxes (3 %) of bright stars, brightest first."""
    drawn = draw_field(moffat(3.2), seed=10, stars=120, snr_range=(100, 900), separation_px=40)
    listed = measure_frame(drawn.pixels).star_list
    flux = np.array(listed.flux_adu)
    assert len(flux) > 0.85 * len(drawn.x)
    assert (np.diff(flux) <= 0).all()
    gap = np.hypot(np.array(listed.x)[:, None] - drawn.x, np.array(listed.y)[:, None] - drawn.y)
    which = gap.argmin(axis=1)
    near = gap.min(axis=1) < 1
    assert np.median(gap.min(axis=1)[near]) < 0.1
    assert np.median(flux[near] / drawn.flux_e[which[near]]) == pytest.approx(1, abs=0.03)


def test_clipped_stars_are_counted_and_listed_but_not_fitted():
    """Guards full stars: found from the pile-up, counted, listed first, width unharmed."""
    drawn = draw_field(
        moffat(3.0), seed=12, stars=300, snr_range=(20, 3000), height=900, width=1200
    )
    full = np.minimum(drawn.pixels, 6000)
    drawn_full = np.count_nonzero(drawn.flux_e / (1.13 * drawn.truth.fwhm_px**2) > 6500)
    found = measure_frame(full)
    assert found.clipped_stars == pytest.approx(drawn_full, abs=0.25 * drawn_full + 2)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.04)
    assert measure_frame(full, saturation_adu=6000).clipped_stars == found.clipped_stars
    assert measure_frame(drawn.pixels).clipped_stars == 0


def test_field_shows_a_tilted_sensor():
    """Guards zones and tilt: stars wider towards one side give a plane of that span."""
    left = draw_field(moffat(2.4), seed=13, stars=300, height=900, width=600)
    right = draw_field(moffat(3.4), seed=14, stars=300, height=900, width=600)
    found = measure_frame(np.hstack([left.pixels, right.pixels]))
    zones = found.field.zones
    assert len(zones) == 9
    assert [zones[k].fwhm_px < zones[k + 2].fwhm_px for k in (0, 3, 6)] == [True] * 3
    assert zones[0].fwhm_px == pytest.approx(left.truth.fwhm_px, rel=0.06)
    assert zones[8].fwhm_px == pytest.approx(right.truth.fwhm_px, rel=0.06)
    # a step of 1 px in 3 looks like a plane of 1.5 times the step (least squares of a step)
    assert found.field.tilt == pytest.approx(1.5 * 1.0 / 3.0, rel=0.35)
    assert sum(zone.stars for zone in zones) == found.stars
    flat = measure_frame(draw_field(moffat(2.8), seed=15, stars=600).pixels).field
    assert flat.tilt < 0.05
    assert abs(flat.curvature) < 0.05


def test_nebula_and_galaxy_are_not_stars():
    """Guards the count beside a galaxy and through a bright nebula with structure.

    The nebula's own noise hides the faintest stars; those left are counted, its knots are not.
    """
    plain = draw_field(moffat(2.6), seed=16, stars=300)
    add_galaxy(plain.pixels, 700, 500, 2e6, 30, 0.5, 40)
    rng = np.random.default_rng(16)
    y, x = np.mgrid[: plain.pixels.shape[0], : plain.pixels.shape[1]]
    cloud = 150 * (1 + np.sin(x / 90) * np.cos(y / 70)) + 60 * np.sin((x + y) / 35)
    nebula = rng.poisson(np.maximum(cloud, 0))
    found = measure_frame(plain.pixels + nebula.astype(np.uint16))
    left = np.count_nonzero(plain.snr * plain.noise_e / found.noise_adu > 7)
    assert found.stars == pytest.approx(left, rel=0.1)
    assert found.fwhm_px == pytest.approx(plain.truth.fwhm_px, rel=0.04)


@pytest.mark.parametrize("fwhm_px", [1.8, 3.0])
def test_a_cluster_of_galaxies_does_not_pass_for_the_stars(fwhm_px):
    """Guards scale and count where galaxies are the brightest things of a frame.

    Eighty discs seen through the same PSF, half-light radii of 1.5 and 4 star widths.
    """
    rng = np.random.default_rng(23)
    drawn = draw_field(
        moffat(fwhm_px, 3.2), seed=23, stars=150, height=800, width=1000, snr_range=(20, 1000)
    )
    plain = measure_frame(drawn.pixels)
    for k in range(80):
        radius = fwhm_px * (1.5, 4.0)[k % 2]
        add_galaxy(drawn.pixels, rng.uniform(40, 960), rng.uniform(40, 760),
                   drawn.noise_e * radius * 10 ** rng.uniform(1.7, 3), radius,
                   rng.uniform(0.3, 1), rng.uniform(0, 180), moffat(fwhm_px, 3.2))  # fmt: skip
    found = measure_frame(drawn.pixels)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.03)
    assert 0.9 * plain.stars < found.stars < 1.05 * plain.stars


@pytest.mark.parametrize(("height", "width"), [(480, 640), (240, 320), (90, 3000), (2000, 64)])
def test_regions_of_interest_are_measured(height, width):
    """Guards small and odd frames (a read-out region, 0.3 Mpx and less): width within 5 %."""
    stars = max(25, height * width // 2500)
    drawn = draw_field(moffat(2.6), seed=24, stars=stars, height=height, width=width,
                       snr_range=(30, 900))  # fmt: skip
    found = measure_frame(drawn.pixels)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.05)
    inside = (drawn.x > 3) & (drawn.x < width - 4) & (drawn.y > 3) & (drawn.y < height - 4)
    assert found.stars > 0.8 * np.count_nonzero(inside)


@pytest.mark.parametrize("add", [True, False])
def test_binned_frames_are_measured_at_their_own_scale(add):
    """Guards 2x2 binning, summed or averaged: the width in binned pixels, drawn by GalSim."""
    drawn = draw_field(moffat(6.0, 3.2), seed=25, stars=200, height=1000, width=1200)
    blocks = drawn.pixels.reshape(500, 2, 600, 2).sum(axis=(1, 3), dtype=np.uint32)
    found = measure_frame(blocks if add else (blocks // 4).astype(np.uint16))
    assert found.fwhm_px == pytest.approx(truth_of(moffat(3.0, 3.2)).fwhm_px, rel=0.04)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_bayer_mosaic_gives_the_width_of_the_green_pixels(pattern):
    """Guards one-shot colour: unequal channels leave width and count alone, nothing invented."""
    psf = moffat(2.2, 3.2, 0.8, 30)
    drawn = draw_field(psf, seed=17, stars=400, sensor=Sensor(pedestal_adu=0))
    gain = {"R": 0.5, "G": 1.0, "B": 0.7}
    mosaic = drawn.pixels.astype(np.float32)
    for k, letter in enumerate(pattern):
        mosaic[k // 2 :: 2, k % 2 :: 2] *= gain[letter]
    found = measure_frame(np.rint(mosaic).astype(np.uint16), bayer=pattern)
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.04)
    assert found.axis_ratio == pytest.approx(drawn.truth.axis_ratio, abs=0.03)
    assert found.stars > 0.75 * np.count_nonzero(drawn.snr > 10)
    assert found.background_adu == pytest.approx(500, abs=3)


def test_colour_planes_are_measured_as_their_mean():
    """Guards (3, h, w) frames: the mean of three equal planes is the plane."""
    drawn = draw_field(moffat(3.0), seed=18, stars=200)
    mono = measure_frame(drawn.pixels.astype(np.float32))
    colour = measure_frame(np.stack([drawn.pixels] * 3).astype(np.float32))
    assert colour.fwhm_px == pytest.approx(mono.fwhm_px, rel=1e-3)
    assert colour.stars == mono.stars


@pytest.mark.parametrize("kind", [">u2", ">i4", "<f4", ">f8", "i4"])
def test_number_type_and_byte_order_do_not_matter(kind):
    """Guards every storage of the same values: the same width and count."""
    drawn = draw_field(moffat(2.6), seed=19, stars=200, height=600, width=800)
    plain = measure_frame(drawn.pixels)
    stored = measure_frame(drawn.pixels.astype(kind))
    assert stored.fwhm_px == pytest.approx(plain.fwhm_px, rel=1e-3)
    assert stored.stars == plain.stars


def test_eight_bit_and_unit_interval_frames_are_measured():
    """Guards 8-bit frames and floats from 0 to 1: width within 5 % of truth."""
    drawn = draw_field(moffat(2.6), seed=20, stars=200, snr_range=(20, 1500), height=600, width=800)
    small = measure_frame(np.minimum(drawn.pixels // 16, 255).astype(np.uint8))
    unit = measure_frame(drawn.pixels / 65535.0)
    assert small.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.05)
    assert unit.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.04)
    assert unit.noise_adu == pytest.approx(drawn.noise_e / 65535, rel=0.04)


def test_the_same_frame_gives_the_same_numbers():
    """Guards determinism: no hidden random numbers."""
    drawn = draw_field(moffat(3.0), seed=21, stars=100, height=500, width=700)
    assert measure_frame(drawn.pixels) == measure_frame(drawn.pixels)


def test_the_pixels_handed_in_are_left_alone():
    """Guards the caller's array: measuring writes nothing into it."""
    pixels = draw_field(moffat(6.0), seed=22, stars=100, height=500, width=700).pixels
    floats = pixels.astype(np.float32)
    before = floats.copy()
    measure_frame(floats)
    assert np.array_equal(floats, before)


def test_truth_knows_the_pixel():
    """Guards the truth itself: a Gaussian-like narrow PSF widens by the pixel's own variance."""
    narrow = truth_of(moffat(1.5, 4.7)).fwhm_px
    wide = truth_of(moffat(8.0, 4.7)).fwhm_px
    assert narrow > 1.6
    assert wide == pytest.approx(8.05, abs=0.06)
