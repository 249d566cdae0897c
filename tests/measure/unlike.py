"""Drawn frames of what is no field of stars: spectra, lamps, galaxies, knots of nebula.

Stars and galaxies are drawn with GalSim; tracks of cosmic rays, dust and sensors' flaws with
numpy, by what is known of them (common practice, no source): a cosmic ray lights pixels along a
straight line and is not blurred by the optics, dust near the sensor dims a ring, pixels differ
in sensitivity by a percent or so.
"""

import galsim
import numpy as np

from tests.measure.fields import (
    Sensor,
    draw_field,
    expose,
    moffat,
    paste,
    place,
)

Pixels = np.ndarray


def spectrum(
    seed: int, rays: int = 60, height: int = 700, width: int = 900, light_e: float = 300.0
) -> Pixels:
    """Traces along the rows, lines of the sky across them, and cosmic rays."""
    rng = np.random.default_rng([seed, 1])
    y, x = np.mgrid[:height, :width].astype(np.float32)
    light = np.full((height, width), 40.0, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        middle = rng.uniform(0.2, 0.8) * height + 6 * np.sin(x / width * 2)
        shape = 1 + 0.4 * np.sin(x / rng.uniform(20, 80)) + 0.3 * np.sin(x / rng.uniform(5, 9))
        light += light_e * 10 ** rng.uniform(0, 1) * shape * np.exp(-((y - middle) ** 2) / 8)
    for column in rng.uniform(0, width, 40):
        light += light_e * 10 ** rng.uniform(-1, 0.7) * np.exp(-((x - column) ** 2) / 3)
    return expose(light, Sensor(sky_e=40, read_noise_e=5, cosmic_rays=rays), rng)


def lamp(
    seed: int, height: int = 700, width: int = 900, level_e: float = 20_000.0, rays: int = 10
) -> Pixels:
    """A lit screen: light falling off to the corners, dust, specks, uneven pixels."""
    rng = np.random.default_rng([seed, 2])
    y, x = np.mgrid[:height, :width].astype(np.float32)
    out = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    light = level_e * (1 - rng.uniform(0.05, 0.4) * out)
    for _ in range(int(rng.integers(5, 25))):  # dust far from the sensor: rings of shade
        radius = np.hypot(x - rng.uniform(0, width), y - rng.uniform(0, height))
        outer = rng.uniform(6, 25)
        light *= 1 - rng.uniform(0.01, 0.15) * ((radius < outer) & (radius > 0.4 * outer))
    for _ in range(int(rng.integers(100, 400))):  # specks on it: odd shapes of a few pixels
        cx, cy = rng.uniform(2, width - 3), rng.uniform(2, height - 3)
        gain = 1 + rng.uniform(0.03, 0.6) * rng.choice([-1, 1], p=[0.6, 0.4])
        for _ in range(int(rng.integers(1, 7))):
            light[int(cy), int(cx)] *= gain
            cx = np.clip(cx + rng.integers(-1, 2), 0, width - 1)
            cy = np.clip(cy + rng.integers(-1, 2), 0, height - 1)
    light *= 1 + 0.01 * rng.standard_normal(light.shape, np.float32)
    sensor = Sensor(sky_e=level_e, read_noise_e=5, gain_e_adu=1.5, cosmic_rays=rays)
    return expose(light.astype(np.float32), sensor, rng)


def lamp_lines(seed: int, height: int = 900, width: int = 1200) -> Pixels:
    """A lamp's lines through a short slit, in rows as a cross-disperser lays them."""
    rng = np.random.default_rng([seed, 4])
    light = np.full((height, width), 60.0, np.float32)
    y, x = np.mgrid[-20:21, -7:8].astype(np.float32)
    line = np.exp(-(x**2) / 2 / 1.6**2) * (np.abs(y) < 11)
    for row in range(40, height - 40, 45):
        for column in rng.integers(20, width - 20, 30):
            light[row - 20 : row + 21, column - 7 : column + 8] += rng.exponential(800.0) * line
    return expose(light, Sensor(sky_e=60, read_noise_e=5), rng)


def galaxies(
    seed: int, count: int, fwhm_px: float = 3.0, side: int = 220, noise_e: float = 22.0
) -> Pixels:
    """A cut-out that holds galaxies and no star."""
    rng = np.random.default_rng([seed, 3])
    light = np.full((side, side), noise_e**2, np.float32)
    for x, y in place(rng, count, side - 60, side - 60, 40.0) + 30:
        add_disc(light, rng, x, y, fwhm_px, noise_e)
    return expose(light, Sensor(sky_e=noise_e**2, hot_fraction=0, cosmic_rays=0), rng)


def add_disc(light: Pixels, rng, x: int, y: int, fwhm_px: float, noise_e: float) -> None:
    """An exponential disc 0.8 to 3 star widths in half-light radius, blurred as a star is."""
    radius = fwhm_px * rng.uniform(0.8, 3.0)
    flux = noise_e * radius * rng.uniform(100, 1500)
    disc = galsim.Exponential(half_light_radius=radius, flux=flux)
    disc = disc.shear(q=rng.uniform(0.3, 0.95), beta=rng.uniform(0, 180) * galsim.degrees)
    seen = galsim.Convolve(disc, moffat(fwhm_px))
    paste(light, seen.drawImage(nx=121, ny=121, scale=1.0).array, int(x), int(y))


def knots(
    seed: int, fwhm_px: float = 2.4, stars: int = 12, blobs: int = 120, side: int = 520
) -> Pixels:
    """A galaxy over the whole frame, knots 1.3 to 3 star widths wide on its arms, few stars."""
    rng = np.random.default_rng([seed, 4])
    y, x = np.mgrid[:side, :side].astype(np.float32) - side / 2
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    winding = np.cos(2 * (angle - 2.6 * np.log(radius + 10) + rng.uniform(0, 6.28)))
    light = 200 + 1200 * np.exp(-radius / (0.22 * side)) * (1 + 0.6 * winding)
    light = light.astype(np.float32)
    star = moffat(fwhm_px, 3.0)
    for _ in range(blobs):
        away, arm = rng.uniform(0.08, 0.46) * side, rng.integers(0, 2) * np.pi
        turn = 2.6 * np.log(away + 10) + arm + rng.normal(0, 0.25)
        at = side / 2 + away * np.cos(turn), side / 2 + away * np.sin(turn)
        size = fwhm_px * np.sqrt(rng.uniform(1.3, 3.0) ** 2 - 1)
        knot = galsim.Gaussian(fwhm=size, flux=10 ** rng.uniform(3.2, 4.6)).shear(
            q=rng.uniform(0.5, 1), beta=rng.uniform(0, 180) * galsim.degrees
        )
        seen = galsim.Convolve(knot, star).drawImage(nx=41, ny=41, scale=1.0).array
        paste(light, seen, int(at[0]), int(at[1]))
    for cx, cy in place(rng, stars, side - 40, side - 40, 20.0) + 20:
        offset = tuple(rng.uniform(-0.5, 0.5, 2))
        seen = star.drawImage(nx=61, ny=61, scale=1.0, offset=offset).array
        paste(light, seen * 10 ** rng.uniform(3.8, 5.3), int(cx), int(cy))
    return expose(light, Sensor(sky_e=200, hot_fraction=1e-4, cosmic_rays=25), rng)


def stars_among_rays(
    seed: int, fwhm_px: float, stars: int, rays: int, side: int = 520
) -> tuple[Pixels, float]:
    """A few wide stars among many cosmic rays; returns the pixels and the drawn width."""
    drawn = draw_field(
        moffat(fwhm_px), seed=seed, stars=stars, height=side, width=side,
        snr_range=(60, 600), separation_px=6 * fwhm_px,
        sensor=Sensor(sky_e=150, read_noise_e=6, hot_fraction=1e-4, cosmic_rays=rays),
    )  # fmt: skip
    return drawn.pixels, drawn.truth.fwhm_px
