"""Matching star lists: shift, rotation, scale, throughput; and no false matches."""

import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.core.stars.match import Match, guesses, match_stars, points, refined
from runlog.core.stars.neighbours import sorted_points
from runlog.core.stars.throughput import throughput
from runlog.measure import measure_frame
from tests.measure.fields import Sensor, draw_field, moffat

SIZE = (3000, 2000)


def random_list(rng, count, size=SIZE):
    flux = np.sort((1 - rng.uniform(size=count)) ** (-1 / 0.9))[::-1]
    x, y = rng.uniform(0, size[0], count), rng.uniform(0, size[1], count)
    return StarList(tuple(x), tuple(y), tuple(flux))


def moved(
    stars, rng, turn_deg=0.0, shift=(0.0, 0.0), scale=1.0, keep=None, noise_px=0.1, size=SIZE
):
    """The list as seen after a turn about the frame's centre, a shift and a change of scale."""
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    z = (np.array(stars.x) - cx) + 1j * (np.array(stars.y) - cy)
    z = z * scale * np.exp(1j * np.radians(turn_deg)) + complex(*shift) + scale * (cx + 1j * cy)
    z += rng.normal(0, noise_px, len(z)) + 1j * rng.normal(0, noise_px, len(z))
    order = np.arange(len(z))[:keep]
    return StarList(tuple(z.real[order]), tuple(z.imag[order]),
                    tuple(np.array(stars.flux_adu)[order]))  # fmt: skip


@pytest.mark.parametrize("turn", [0.0, 0.7, -35.0, 90.0, 180.0, 179.2])
def test_shift_and_rotation_are_those_applied(turn):
    """Guards the convention: where a reference star is now, less where it was, at the centre."""
    rng = np.random.default_rng(1)
    reference = random_list(rng, 200)
    match = match_stars(reference, moved(reference, rng, turn, (37.5, -81.25)), SIZE)
    assert match.shift_x_px == pytest.approx(37.5, abs=0.1)
    assert match.shift_y_px == pytest.approx(-81.25, abs=0.1)
    assert (match.rotation_deg - turn + 180) % 360 - 180 == pytest.approx(0, abs=0.01)
    assert match.scale == pytest.approx(1, abs=1e-4)


@pytest.mark.parametrize("turn", [0.0, 180.0])
def test_a_plain_shift_gives_what_triangles_give(turn):
    """Guards the short cut: to the last bit what the long way finds, upright and turned by half."""
    rng = np.random.default_rng(7)
    for _ in range(10):
        reference = random_list(rng, 200)
        other = moved(reference, rng, turn + 0.01, tuple(rng.uniform(-200, 200, 2)), keep=170)
        here, there = points(reference), points(other)
        plain, long = list(guesses(here, there, sorted_points(there), (0.97, 1.03)))[:2]
        assert abs(plain[0]) == 1  # the short cut alone proposes exactly this
        assert abs(long[0]) != 1
        flux = np.array(reference.flux_adu)
        a, b = (refined(g, here, there, sorted_points(there), flux) for g in (plain, long))
        assert a[:2] == b[:2]
        np.testing.assert_array_equal(a[2], b[2])


def test_a_shift_is_not_taken_for_one_where_fields_differ():
    """Guards strangers: no short cut where few stars meet; another field does not match."""
    rng = np.random.default_rng(8)
    for _ in range(20):
        a, b = random_list(rng, 200), random_list(rng, 200)
        assert match_stars(a, b, SIZE) is None


def test_another_binning_matches_by_scale():
    """Guards 2x2 binned frames against an unbinned reference."""
    rng = np.random.default_rng(2)
    reference = random_list(rng, 150)
    half = moved(reference, rng, 0.3, (4.0, -2.0), scale=0.5)
    match = match_stars(reference, half, SIZE, (1500, 1000))
    assert match.scale == pytest.approx(0.5, abs=1e-3)
    # the centres of an unbinned and a binned frame differ by a quarter of a binned pixel
    assert match.shift_x_px == pytest.approx(4.0, abs=0.5)


def test_fifteen_stars_left_by_cloud_still_match():
    """Guards cloud: the 15 brightest, dimmed unevenly by 0.4 mag, match 20 times out of 20."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        reference = random_list(rng, 200)
        flux = np.array(reference.flux_adu) * 10 ** rng.normal(0, 0.16, 200)
        order = np.argsort(-flux)[:15]
        dimmed = StarList(tuple(np.array(reference.x)[order]), tuple(np.array(reference.y)[order]),
                          tuple(flux[order]))  # fmt: skip
        assert match_stars(reference, moved(dimmed, rng, 180.0, (9, 9)), SIZE) is not None


def bloomed(stars, rng, count=24):
    """The list with the centres of its brightest stars elsewhere in their columns."""
    off = np.r_[rng.normal(0, 25, count), np.zeros(len(stars.y) - count)]
    return StarList(stars.x, tuple(np.array(stars.y) + off), stars.flux_adu)


def test_bloomed_stars_do_not_hide_the_field():
    """Guards full stars, whose centres bloom along their columns by other lengths each time."""
    rng = np.random.default_rng(14)
    for _ in range(10):
        reference = random_list(rng, 200)
        other = moved(reference, rng, 0.2, (11.0, 6.0))
        bloomed = [
            StarList(
                s.x, tuple(np.array(s.y) + np.r_[rng.normal(0, 25, 24), np.zeros(176)]), s.flux_adu
            )
            for s in (reference, other)
        ]
        match = match_stars(*bloomed, SIZE)
        assert match.shift_x_px == pytest.approx(11.0, abs=0.1)
        assert match.shift_y_px == pytest.approx(6.0, abs=0.1)


def test_different_fields_never_match():
    """Guards false matches: 150 pairs of unrelated lists (the bench tries 1,000)."""
    rng = np.random.default_rng(4)
    sizes = [15, 40, 200]
    for k in range(150):
        a, b = random_list(rng, sizes[k % 3]), random_list(rng, sizes[k % 2 + 1])
        assert match_stars(a, b, SIZE) is None


def test_too_few_stars_do_not_match():
    """Guards empty and tiny lists."""
    rng = np.random.default_rng(5)
    few = random_list(rng, 4)
    assert match_stars(few, few, SIZE) is None
    assert match_stars(StarList(), few, SIZE) is None


@pytest.mark.parametrize(("share", "fwhm"), [(1.0, 2.4), (0.6, 5.0), (0.2, 3.0)])
def test_throughput_is_the_light_that_is_left(share, fwhm):
    """Guards throughput within 3 %, whatever the width does, per second of exposure."""
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 1400, 350), rng.uniform(0, 1100, 350)
    flux = 8000 * (1 - rng.uniform(size=350)) ** (-1 / 0.9)
    size = {"height": 1100, "width": 1400}
    first = draw_field(moffat(2.4), seed=1, given=(x, y, flux), **size)
    second = draw_field(moffat(fwhm, 2.9), seed=2, given=(x + 3.4, y - 7.2, flux * share * 0.5),
                        sensor=Sensor(sky_e=900), **size)  # fmt: skip
    a, b = measure_frame(first.pixels), measure_frame(second.pixels)
    match = match_stars(a.star_list, b.star_list, (1400, 1100))
    light = throughput(
        a.star_list, b.star_list, match, reference_exposure_s=300, exposure_s=150,
        clipped=max(a.clipped_stars, b.clipped_stars),
    )  # fmt: skip
    assert light.ratio == pytest.approx(share, rel=0.03)
    assert match.shift_x_px == pytest.approx(3.4, abs=0.2)
    assert match.shift_y_px == pytest.approx(-7.2, abs=0.2)


def test_bright_stars_place_a_frame_of_faint_ones():
    """Guards the weights: noise of 1000 / flux px, few bright stars, and 0.1 px is the worst.

    A plain mean of the 60 pairs would be off by 0.12 px in the middle of the draws.
    """
    rng = np.random.default_rng(8)
    worst = 0.0
    for _ in range(20):
        flux = np.sort(1000 * (1 - rng.uniform(size=60)) ** (-1 / 0.9))[::-1]
        x, y = rng.uniform(0, SIZE[0], 60), rng.uniform(0, SIZE[1], 60)
        noise = np.minimum(1000 / flux, 1.0)
        seen_x, seen_y = (v + 5 + rng.normal(0, noise) for v in (x, y))
        listed = StarList(tuple(x), tuple(y), tuple(flux))
        match = match_stars(listed, StarList(tuple(seen_x), tuple(seen_y), tuple(flux)), SIZE)
        worst = max(worst, float(np.hypot(match.shift_x_px - 5, match.shift_y_px - 5)))
    assert worst < 0.1


def noisy_pair(rng, share, noise, count=150):
    """
    Two lists of the same stars, the second dimmed, with sky noise, cut at five times it.

    Stars also scatter by 1 % (flat field, thin cloud) and all together by 0.4 % (apertures).
    """
    flux = np.sort(20 * noise * (1 - rng.uniform(size=count)) ** (-1 / 0.9))[::-1]
    own = (1 + rng.normal(0, 0.004)) * (1 + rng.normal(0, 0.01, count))
    dimmed = share * flux * own + rng.normal(0, noise, count)
    order = np.argsort(-dimmed)
    order = order[dimmed[order] > 5 * noise]
    place = tuple(np.zeros(count))
    pairs = tuple((int(i), j) for j, i in enumerate(order))
    return (
        StarList(place, place, tuple(flux)),
        StarList(place[: len(order)], place[: len(order)], tuple(dimmed[order])),
        Match(0, 0, 0, 1, pairs, 0),
    )


def test_throughput_errors_are_honest_and_faint_stars_do_not_pull():
    """Guards the error bar and the bias of a list cut at five sigma of its own noise."""
    rng = np.random.default_rng(9)
    sigmas, ratios = [], []
    for _ in range(300):
        *lists, match = noisy_pair(rng, 0.15, 100.0)
        light = throughput(*lists, match, reference_exposure_s=60, exposure_s=60)
        ratios.append(light.ratio / 0.15)
        sigmas.append((light.ratio - 0.15) / light.ratio_err)
    assert np.mean(ratios) == pytest.approx(1, abs=0.005)
    assert 0.6 < np.mean(np.abs(sigmas) < 1) < 0.8
    assert np.max(np.abs(sigmas)) < 4.5


def test_variable_stars_do_not_move_throughput():
    """Guards robustness: a tenth of the stars, the brightest among them, doubled or halved."""
    rng = np.random.default_rng(10)
    reference, other, match = noisy_pair(rng, 0.5, 100.0)
    flux = np.array(other.flux_adu)
    flux[:30:6] *= 2
    flux[3:60:12] *= 0.5
    other = StarList(other.x, other.y, tuple(flux))
    light = throughput(reference, other, match, reference_exposure_s=60, exposure_s=60)
    assert light.ratio == pytest.approx(0.5, rel=0.02)


def test_throughput_needs_an_exposure():
    """Guards against dividing by a missing exposure time."""
    rng = np.random.default_rng(7)
    stars = random_list(rng, 50)
    match = match_stars(stars, stars, SIZE)
    assert throughput(stars, stars, match, reference_exposure_s=0, exposure_s=10) is None
