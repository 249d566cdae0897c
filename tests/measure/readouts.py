"""Drawn frames with the marks a sensor leaves on rows and columns, and with faults of read-out."""

import numpy as np

SHAPE = (600, 800)


def sky(
    *, seed=3, shape=SHAPE, noise_adu=12.0, slope_adu=30.0, stars=150, fwhm_px=3.0, grain=1,
    level_adu=900.0, ceiling=65535,
):  # fmt: skip
    """Draw a sky with noise, a slope along the columns and stars, as whole numbers.

    `grain` is the step between the values that can be stored: 16 for twelve bits in sixteen.
    """
    random = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    light = level_adu + slope_adu * y / shape[0] + 0.3 * slope_adu * x / shape[1]
    light = light + noise_adu * random.standard_normal(shape)
    add_stars(light, random, stars, noise_adu, fwhm_px)
    return stored(light, grain, ceiling)


def stored(light, grain=1, ceiling=65535):
    """Store light as a camera does: whole steps, clipped, 16 bits."""
    return np.clip(np.rint(light / grain) * grain, 0, ceiling).astype(np.uint16)


def add_stars(light, random, count, noise_adu, fwhm_px):
    """Add Gaussian stars of all brightnesses in place."""
    sigma = fwhm_px / 2.35482
    reach = int(4 * sigma) + 2
    for _ in range(count):
        cy, cx = (random.uniform(reach, side - reach) for side in light.shape)
        y0, x0 = int(cy) - reach, int(cx) - reach
        y, x = np.mgrid[y0 : y0 + 2 * reach, x0 : x0 + 2 * reach]
        star = np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / (2 * sigma**2))
        light[y0 : y0 + 2 * reach, x0 : x0 + 2 * reach] += noise_adu * random.pareto(1.0) * 8 * star
