"""Dust shadows laid on each other: drawn grains, drawn skies, a truth that is known."""

import numpy as np
import pytest

from runlog.core.calibration.shadows import middle_of, relief, shared

SIZE = (240, 320)


def response(seed=1, grains=14, depth=0.02):
    """Draw what dust and optics leave of the light: rings of dust and a fall to the corners."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    light = 1 - 0.15 * (((y - 120) / 120) ** 2 + ((x - 160) / 160) ** 2) / 2
    for _ in range(grains):
        row, column = random.uniform(10, SIZE[0] - 10), random.uniform(10, SIZE[1] - 10)
        light *= 1 - depth * (np.hypot(y - row, x - column) < 5)
    return light


def lights(seed, of, n=9, noise=0.005, stars=120):
    """Draw dithered lights through a response, with stars that move from frame to frame."""
    random = np.random.default_rng(seed)
    rows, columns = random.uniform(0, SIZE[0], stars), random.uniform(0, SIZE[1], stars)
    flux = random.exponential(0.5, stars)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    frames = []
    for _ in range(n):
        sky = 1 + 0.1 * x / SIZE[1]
        dy, dx = random.uniform(-4, 4, 2)
        for row, column, own in zip(rows, columns, flux, strict=True):
            sky = sky + own * np.exp(-((y - row - dy) ** 2 + (x - column - dx) ** 2) / 2)
        frames.append(1000 * sky * of * (1 + noise * random.standard_normal(SIZE)))
    return middle_of(frames)


def flat(of, seed=5):
    """Draw a flat through a response."""
    return 25_000 * of * (1 + 0.0005 * np.random.default_rng(seed).standard_normal(SIZE))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shadows_that_fit(seed):
    """The same dust on flats and lights gives 1 within what is said of the error."""
    own = response(seed)
    found = shared(relief(flat(own)), relief(lights(seed, own)))
    assert found.error < 0.2
    assert found.share == pytest.approx(1, abs=4 * found.error + 0.1)
    assert found.share > 0.7


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shadows_of_a_turned_camera(seed):
    """Half a turn of the camera: nothing of the flats' dust is where it was."""
    own = response(seed)
    found = shared(relief(flat(own)), relief(lights(seed, own[::-1, ::-1])))
    assert found.share < 0.35
    assert 1 - found.share > 4 * found.error


def test_no_dust_says_nothing():
    """A clean flat has no shadow to look for, however the light falls off."""
    assert shared(relief(flat(response(grains=0))), relief(flat(response()))) is None


def test_pictures_of_two_sizes_do_not_compare():
    """A flat of a part of the sensor is no flat of the whole."""
    own = relief(flat(response()))
    assert shared(own, own[:-8]) is None


def test_the_middle_weighs_each_picture_by_its_own_light():
    """Flats of a sky that brightens count alike."""
    own = response()
    assert middle_of([own, 3 * own, 9 * own]) == pytest.approx(own / np.median(own))
