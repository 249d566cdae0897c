"""Star fields drawn with GalSim, and the truth about them.

Truth is drawn, not computed by the code under test: the width is the half-maximum area of the
pixel-convolved PSF drawn at 0.05 px, the shape GalSim's adaptive moments of the same drawing.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import galsim
import numpy as np

FINE_PX = 0.05
PHASES_ACROSS = 7  # sub-pixel positions drawn per PSF each way; a star uses one of them


@dataclass(frozen=True)
class Truth:
    """What a PSF is once the pixel has sampled it."""

    fwhm_px: float
    axis_ratio: float
    elongation_deg: float
    hfr_px: float

    @property
    def eccentricity(self) -> float:
        return float(np.sqrt(1 - self.axis_ratio**2))


@dataclass(frozen=True)
class Sensor:
    """Camera and sky of a drawn frame."""

    sky_e: float = 500.0
    read_noise_e: float = 3.0
    gain_e_adu: float = 1.0
    pedestal_adu: float = 200.0
    hot_fraction: float = 5e-4
    cosmic_rays: int = 20
    full_adu: float = 65535.0


@dataclass
class DrawnField:
    """A frame with the stars that are in it."""

    pixels: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux_e: np.ndarray
    snr: np.ndarray
    truth: Truth
    noise_e: float
    hot_xy: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), int))


def truth_of(psf: galsim.GSObject) -> Truth:
    """Draw the pixel-convolved PSF finely and read its width, shape and half-flux radius.

    The step is 0.05 px, or an eightieth of the half-flux diameter where that is coarser.
    """
    width = rough_width(psf)
    step = max(FINE_PX, width / 80)
    n = int(12 * width / step) | 1
    seen = galsim.Convolve(psf, galsim.Pixel(1.0))
    drawn = seen.drawImage(nx=n, ny=n, scale=step, method="no_pixel")
    area = np.count_nonzero(drawn.array > drawn.array.max() / 2) * step**2
    moments = galsim.hsm.FindAdaptiveMom(
        drawn,
        guess_sig=width / step / 2.35,
        hsmparams=galsim.hsm.HSMParams(max_amoment=1e7, max_mom2_iter=4000),
    )
    g1, g2 = moments.observed_shape.g1, moments.observed_shape.g2
    g = float(np.hypot(g1, g2))
    angle = float(np.degrees(0.5 * np.arctan2(g2, g1)) % 180)
    return Truth(
        float(2 * np.sqrt(area / np.pi)),
        (1 - g) / (1 + g),
        angle,
        half_flux_radius(drawn.array, step),
    )


def rough_width(psf: galsim.GSObject) -> float:
    """Half-flux diameter in whole-pixel steps: good enough to size a drawing."""
    drawn = psf.drawImage(nx=121, ny=121, scale=1.0).array
    return max(1.5, 2 * half_flux_radius(drawn, 1.0))


def half_flux_radius(drawn: np.ndarray, scale_px: float) -> float:
    """Radius around the centre of the drawing that holds half its flux."""
    n = drawn.shape[0]
    axis = (np.arange(n) - (n - 1) / 2) * scale_px
    radius = np.hypot(axis[:, None], axis[None, :]).ravel()
    order = np.argsort(radius)
    grown = np.cumsum(drawn.ravel()[order], dtype=float)
    return float(radius[order][np.searchsorted(grown, grown[-1] / 2)])


def moffat(fwhm_px: float, beta: float = 3.5, axis_ratio: float = 1.0, angle_deg: float = 0.0):
    """An elliptical Moffat whose geometric-mean width is `fwhm_px` before the pixel."""
    psf = galsim.Moffat(beta=beta, fwhm=fwhm_px)
    return psf.shear(q=axis_ratio, beta=angle_deg * galsim.degrees) if axis_ratio < 1 else psf


def kolmogorov(fwhm_px: float, axis_ratio: float = 1.0, angle_deg: float = 0.0):
    psf = galsim.Kolmogorov(fwhm=fwhm_px)
    return psf.shear(q=axis_ratio, beta=angle_deg * galsim.degrees) if axis_ratio < 1 else psf


def trailed(fwhm_px: float, length_px: float, angle_deg: float, beta: float = 3.5):
    """A Moffat drawn out along a straight line at constant speed."""
    line = galsim.Box(length_px, 0.2).rotate(angle_deg * galsim.degrees)
    return galsim.Convolve(galsim.Moffat(beta=beta, fwhm=fwhm_px), line)


def doubled(fwhm_px: float, apart_px: float, angle_deg: float, ratio: float, beta: float = 3.2):
    """A Moffat that stands twice, the second image `ratio` times as bright."""
    one, turn = galsim.Moffat(beta=beta, fwhm=fwhm_px), np.radians(angle_deg)
    other = one.shift(apart_px * np.cos(turn), apart_px * np.sin(turn))
    return (one + ratio * other) / (1 + ratio)


def sized(reach_px: float) -> Truth:
    """Room for a PSF whose true numbers nobody asks for."""
    return Truth(1.5, 1.0, 0.0, reach_px / 3)


def ring(outer_px: float, obstruction: float = 0.35, seeing_px: float = 1.8):
    """The defocused image of an obstructed pupil, blurred by seeing."""
    hole = obstruction**2
    pupil = galsim.TopHat(outer_px / 2)
    if obstruction > 0:
        pupil = pupil / (1 - hole) - galsim.TopHat(outer_px / 2 * obstruction) * (hole / (1 - hole))
    coarse = galsim.GSParams(kvalue_accuracy=1e-3, maxk_threshold=3e-3, folding_threshold=1e-2)
    return galsim.Convolve(pupil, galsim.Moffat(beta=3.5, fwhm=seeing_px), gsparams=coarse)


def draw_phases(psf: galsim.GSObject, rng: np.random.Generator, size_px: int):
    """Pixel-integrated unit-flux stamps of the PSF at random sub-pixel offsets."""
    steps = (np.arange(PHASES_ACROSS) + 0.5) / PHASES_ACROSS - 0.5
    offsets = np.array([(x, y) for y in steps for x in steps])
    offsets += rng.uniform(-0.5, 0.5, offsets.shape) / PHASES_ACROSS
    stamps = [
        psf.drawImage(nx=size_px, ny=size_px, scale=1.0, offset=tuple(offset)).array
        for offset in offsets
    ]
    return np.array(stamps), offsets


def noise_pixels(stamps: np.ndarray) -> float:
    """Effective number of noise pixels of the PSF (1 / sum p^2)."""
    return float(np.mean(1 / np.sum(stamps.astype(float) ** 2, axis=(1, 2))))


def star_fluxes(rng, count: int, noise_e: float, area_px: float, snr_range=(8.0, 1500.0)):
    """Fluxes with the power law of real counts (each magnitude about twice as many)."""
    low, high = snr_range
    slope = 0.75  # d log N / d log S between the pole and the plane; common practice, no source
    u = rng.uniform(size=count)
    snr = low * (1 - u * (1 - (high / low) ** -slope)) ** (-1 / slope)
    return snr * noise_e * np.sqrt(area_px)


def draw_field(
    psf: galsim.GSObject,
    *,
    seed: int,
    stars: int = 400,
    height: int = 1024,
    width: int = 1360,
    sensor: Sensor | None = None,
    snr_range: tuple[float, float] = (8.0, 1500.0),
    truth: Truth | None = None,
    separation_px: float = 0.0,
    given: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
) -> DrawnField:
    """
    Draw a frame of one PSF with sky, noise, hot pixels and cosmic rays.

    `given` puts stars at (x, y) with fluxes in electrons, to a seventh of a pixel.
    """
    sensor, rng = sensor or Sensor(), np.random.default_rng(seed)
    truth = truth or truth_of(psf)
    size = int(max(24, 12 * truth.fwhm_px, 6 * truth.hfr_px)) | 1
    stamps, offsets = draw_phases(psf, rng, size)
    noise = float(np.sqrt(sensor.sky_e + sensor.read_noise_e**2))
    area = noise_pixels(stamps)
    if given is None:
        cells = place(rng, stars, height, width, separation_px)
        which = rng.integers(0, len(offsets), len(cells))
        flux = star_fluxes(rng, stars, noise, area, snr_range)[: len(cells)]
    else:
        exact, flux = np.column_stack(given[:2]), given[2]
        cells = np.rint(exact).astype(int)
        gap = (exact - cells)[:, None, :] - offsets[None]
        which = np.argmin((gap**2).sum(axis=2), axis=1)
    light = np.full((height, width), sensor.sky_e, np.float32)
    for (cx, cy), k, f in zip(cells, which, flux, strict=True):
        if -size < cx < width + size and -size < cy < height + size:
            paste(light, stamps[k] * f, cx, cy)
    hot = add_hot_pixels(light, sensor, rng)
    pixels = expose(light, sensor, rng)
    x, y = cells[:, 0] + offsets[which, 0], cells[:, 1] + offsets[which, 1]
    return DrawnField(pixels, x, y, flux, flux / (noise * np.sqrt(area)), truth, noise, hot_xy=hot)


def draw_warped(
    psf_at: Callable[[float, float], galsim.GSObject], *, seed: int, stars: int = 500,
    height: int = 900, width: int = 1200, snr_range: tuple[float, float] = (30.0, 800.0),
) -> np.ndarray:  # fmt: skip
    """Draw a frame whose stars change over it; `psf_at` takes u and v from -0.5 to 0.5."""
    sensor, rng = Sensor(), np.random.default_rng(seed)
    light = np.full((height, width), sensor.sky_e, np.float32)
    cells = place(rng, stars, height, width, 25.0)
    noise = float(np.sqrt(sensor.sky_e + sensor.read_noise_e**2))
    for (x, y), flux in zip(cells, star_fluxes(rng, len(cells), noise, 40.0, snr_range),
                               strict=True):  # fmt: skip
        psf = psf_at(x / width - 0.5, y / height - 0.5)
        offset = tuple(rng.uniform(-0.5, 0.5, 2))
        paste(light, psf.drawImage(nx=61, ny=61, scale=1.0, offset=offset).array * flux, x, y)
    add_hot_pixels(light, sensor, rng)
    return expose(light, sensor, rng)


def add_line(
    pixels: np.ndarray, ends: tuple[float, float, float, float], peak_adu: float,
    fwhm_px: float, seed: int,
) -> None:  # fmt: skip
    """Add a straight Gaussian trail of a given peak to a drawn frame, with its shot noise."""
    x0, y0, x1, y1 = ends
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]].astype(np.float32)
    length = float(np.hypot(x1 - x0, y1 - y0))
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    beyond = np.clip(along, 0, length) - along
    away = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    sigma = fwhm_px / 2.35482
    light = peak_adu * np.exp(-(away**2 + beyond**2) / (2 * sigma**2))
    noisy = light + np.random.default_rng(seed).standard_normal(light.shape) * np.sqrt(light)
    pixels[:] = np.clip(pixels + np.rint(noisy), 0, 65535).astype(pixels.dtype)


def add_galaxy(pixels: np.ndarray, x: float, y: float, flux: float, radius_px: float,
               axis_ratio: float, angle_deg: float,
               psf: galsim.GSObject | None = None) -> None:  # fmt: skip
    """Add a noiseless exponential disc (half-light radius given), blurred by a PSF if any."""
    disc = galsim.Exponential(half_light_radius=radius_px, flux=flux)
    disc = disc.shear(q=axis_ratio, beta=angle_deg * galsim.degrees)
    size = int(12 * radius_px + (0 if psf is None else 30)) | 1
    disc, method = (disc, "no_pixel") if psf is None else (galsim.Convolve(disc, psf), "auto")
    stamp = disc.drawImage(nx=size, ny=size, scale=1.0, method=method).array
    light = np.zeros(pixels.shape, np.float32)
    paste(light, stamp, int(x), int(y))
    pixels[:] = np.clip(pixels + np.rint(light), 0, 65535).astype(pixels.dtype)


def add_spikes(pixels: np.ndarray, x: int, y: int, peak_adu: float, reach_px: float,
               angle_deg: float) -> None:  # fmt: skip
    """Add the four diffraction spikes of a bright star: thin, falling off outwards."""
    rows, columns = np.mgrid[: pixels.shape[0], : pixels.shape[1]].astype(np.float32)
    light = np.zeros(pixels.shape, np.float32)
    for turn in (0, 90):
        angle = np.radians(angle_deg + turn)
        along = (columns - x) * np.cos(angle) + (rows - y) * np.sin(angle)
        away = (rows - y) * np.cos(angle) - (columns - x) * np.sin(angle)
        light += peak_adu / (1 + (along / reach_px * 6) ** 2) * np.exp(-(away**2) / 3)
    radius = np.hypot(columns - x, rows - y)
    light += 50 * peak_adu / (1 + (radius / 4) ** 2) ** 2.5
    pixels[:] = np.clip(pixels + np.rint(light), 0, 65535).astype(pixels.dtype)


def place(rng, count: int, height: int, width: int, separation_px: float) -> np.ndarray:
    """Whole-pixel positions, kept apart where asked."""
    cells = np.column_stack([rng.integers(0, width, count), rng.integers(0, height, count)])
    if separation_px <= 0:
        return cells
    kept: list[np.ndarray] = []
    for cell in cells:
        if all(np.hypot(*(cell - other)) > separation_px for other in kept):
            kept.append(cell)
    return np.array(kept)


def paste(light: np.ndarray, stamp: np.ndarray, cx: int, cy: int) -> None:
    """Add a stamp centred on a pixel, cut at the frame's edge."""
    half = stamp.shape[0] // 2
    y0, x0 = max(0, cy - half), max(0, cx - half)
    y1, x1 = min(light.shape[0], cy + half + 1), min(light.shape[1], cx + half + 1)
    if y1 <= y0 or x1 <= x0:
        return
    light[y0:y1, x0:x1] += stamp[y0 - cy + half : y1 - cy + half, x0 - cx + half : x1 - cx + half]


def add_hot_pixels(light: np.ndarray, sensor: Sensor, rng) -> np.ndarray:
    """Single pixels that leak, from barely seen to full; returns their (x, y)."""
    count = int(light.size * sensor.hot_fraction)
    x, y = rng.integers(0, light.shape[1], count), rng.integers(0, light.shape[0], count)
    noise = np.sqrt(sensor.sky_e + sensor.read_noise_e**2)
    light[y, x] += noise * 10 ** rng.uniform(0.7, 3.0, count)
    return np.column_stack([x, y])


def expose(light: np.ndarray, sensor: Sensor, rng) -> np.ndarray:
    """Shot noise, cosmic rays, read noise, gain, pedestal and the ceiling; 16-bit integers."""
    seen = light + rng.standard_normal(light.shape, np.float32) * np.sqrt(
        light + np.float32(sensor.read_noise_e**2)
    )
    for _ in range(sensor.cosmic_rays):
        add_cosmic_ray(seen, rng)
    adu = seen / sensor.gain_e_adu + sensor.pedestal_adu
    return np.clip(np.rint(adu), 0, sensor.full_adu).astype(np.uint16)


def add_cosmic_ray(seen: np.ndarray, rng) -> None:
    """A straight track of 1 to 12 unblurred pixels."""
    height, width = seen.shape
    x, y = rng.uniform(0, width), rng.uniform(0, height)
    angle, length = rng.uniform(0, np.pi), rng.exponential(3.0) + 1
    charge = 10 ** rng.uniform(2.5, 3.8)
    steps = np.arange(0, min(length, 12), 0.25)
    xs, ys = (x + steps * np.cos(angle)).astype(int), (y + steps * np.sin(angle)).astype(int)
    inside = (xs >= 0) & (xs < width) & (ys >= 0) & (ys < height)
    np.add.at(seen, (ys[inside], xs[inside]), charge / 4)
