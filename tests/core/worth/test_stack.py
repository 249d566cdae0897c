"""Depth and width of a picture: against section's numbers, and against GalSim frames added up."""

from itertools import pairwise

import galsim
import numpy as np
import pytest

from runlog.core.worth.stack import Part, Picture, Weights, half_rule, weights_of

TWENTY = [Part(1.0, 1.0, 3.0, 3.0)] * 20
MIXED = [
    Part(300.0, 900.0, 2.4, 3.1), Part(280.0, 950.0, 2.6, 2.9), Part(150.0, 1400.0, 3.3, 4.5),
    Part(290.0, 880.0, 2.5, 3.0), Part(60.0, 300.0, 4.1, 6.0),
]  # fmt: skip


def test_twenty_frames_and_one_more():
    """S/N 4.4721; one more frame of light T, of equal weight and of best weight.

    sqrt(20); (20 + T) / sqrt(21); sqrt(20 + T^2): worked by hand, four digits.
    """
    assert Picture(TWENTY).depth == pytest.approx(4.4721, abs=5e-5)
    said = {0.6: (4.4953, 4.5122), 0.5: (4.4735, 4.5), 0.4: (4.4516, 4.49), 0.3: (4.4298, 4.4822)}
    for light, (equal, best) in said.items():
        more = [*TWENTY, Part(light, 1.0, 3.0, 3.0)]
        assert Picture(more).depth == pytest.approx(equal, abs=5e-5)
        assert Picture(more, Weights.BEST).depth == pytest.approx(best, abs=5e-5)


def test_half_rule():
    """At the break-even light, 0.4939, one more frame changes nothing; best weights never hurt."""
    even = half_rule(20.0, 20.0, 1.0)
    assert even == pytest.approx(0.4939, abs=5e-5)
    after = Picture([*TWENTY, Part(even, 1.0, 3.0, 3.0)])
    assert after.depth == pytest.approx(Picture(TWENTY).depth, rel=1e-12)
    grown = [Picture(MIXED[:n], Weights.BEST).depth for n in range(1, 6)]
    assert all(a < b for a, b in pairwise(grown))


@pytest.mark.parametrize("weights", list(Weights))
def test_depth_is_that_of_frames_added_up(weights):
    """A numpy stack of GalSim frames has the depth of the formula, to 1e-9.

    Each frame is a drawn star on noise of exactly its variance; the noises are made orthogonal, as
    independent ones are on average, so that the stack's own variance is exact too.
    """
    size = 64
    random = np.random.default_rng(18).standard_normal((size * size, len(MIXED) + 1))
    random[:, 0] = 1.0  # so that each of the others has no mean
    noise = np.linalg.qr(random)[0][:, 1:] * size  # variance 1 each
    stars, frames = [], []
    for n, part in enumerate(MIXED):
        star = galsim.Moffat(beta=part.beta, fwhm=part.fwhm, flux=part.signal_adu)
        image = star.drawImage(nx=size, ny=size, scale=0.5, method="no_pixel", dtype=float).array
        stars.append(image * part.signal_adu / image.sum())  # what the stamp cuts off put back
        frames.append(stars[-1] + noise[:, n].reshape(size, size) * np.sqrt(part.variance_adu2))
    each = weights_of(MIXED, weights)
    stack = np.tensordot(each, np.array(frames), 1)
    star = np.tensordot(each, np.array(stars), 1)
    depth = star.sum() / np.std(stack - star)
    assert Picture(MIXED, weights).depth == pytest.approx(depth, rel=1e-9)


@pytest.mark.parametrize("weights", list(Weights))
def test_width_is_that_of_stars_added_up(weights):
    """GalSim's sum of the same Moffats is at half its middle at half our width, to 1e-9."""
    light = weights_of(MIXED, weights) * [part.signal_adu for part in MIXED]
    star = galsim.Add([
        galsim.Moffat(beta=part.beta, fwhm=part.fwhm, flux=float(flux))
        for part, flux in zip(MIXED, light, strict=True)
    ])  # fmt: skip
    fwhm = Picture(MIXED, weights).fwhm
    assert star.xValue(fwhm / 2, 0.0) / star.xValue(0.0, 0.0) == pytest.approx(0.5, rel=1e-9)


def test_width_by_the_area_of_drawn_pixels():
    """The area above half of the middle in a finely drawn stack gives our width, to a pixel."""
    scale, size = 0.01, 801
    stack = np.zeros((size, size))
    for part in MIXED:
        star = galsim.Moffat(beta=part.beta, fwhm=part.fwhm, flux=part.signal_adu)
        stack += star.drawImage(nx=size, ny=size, scale=scale, method="no_pixel").array
    area = np.count_nonzero(stack >= stack.max() / 2) * scale**2
    assert Picture(MIXED).fwhm == pytest.approx(2 * np.sqrt(area / np.pi), rel=1e-3)


def test_what_has_no_profile_is_in_the_depth_alone():
    """A frame without a Moffat index deepens the picture and leaves its width as it was."""
    bare = Part(200.0, 900.0, 9.0, None)
    before, after = Picture(MIXED), Picture([*MIXED, bare])
    assert (after.frames, after.fwhm) == (6, before.fwhm)
    assert after.depth > before.depth
    assert Picture([bare]).fwhm is None
    assert Picture([Part(1.0, 1.0, 2.5, 3.0)]).fwhm == pytest.approx(2.5, rel=1e-12)


def test_depth_of_stars_is_that_of_their_noise_equivalent_area():
    """One Moffat: int P^2 = (b - 1)^2 / (pi a^2 (2 b - 1)) (by hand); a sum: GalSim's drawn sum."""
    for fwhm, beta in ((2.4, 3.0), (1.1, 1.4), (6.0, 12.0)):
        scale2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
        exact = (beta - 1) ** 2 / (np.pi * scale2 * (2 * beta - 1))
        one = Picture([Part(7.0, 4.0, fwhm, beta)])
        assert one.star_depth == pytest.approx(one.depth * np.sqrt(exact), rel=1e-9)
    star = galsim.Add([
        galsim.Moffat(beta=part.beta, fwhm=part.fwhm, flux=part.signal_adu) for part in MIXED
    ])  # fmt: skip
    scale = 0.1
    drawn = star.drawImage(nx=1201, ny=1201, scale=scale, method="no_pixel", dtype=float).array
    square = (drawn**2).sum() / star.flux**2 / scale**2
    both = Picture(MIXED)
    assert both.star_depth == pytest.approx(both.depth * np.sqrt(square), rel=1e-5)
