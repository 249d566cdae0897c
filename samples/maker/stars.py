"""Star fields and the glow behind them, fixed for every target, and stars drawn on a frame."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, gaussian_filter

from .psf import OVERSAMPLE, ZONE_CENTRES, Optics, Psf, moffat, template
from .scenario import Filter, Target

Frame = NDArray[np.float32]
Vector = NDArray[np.float64]

MARGIN_PX = 160.0  # sky kept around a frame for dithers
BRIGHTEST_MAG, FAINTEST_MAG, DETECTED_MAG = 9.5, 20.2, 18.8
COUNT_SLOPE = 0.30  # d log N / dm of a field at middle galactic latitude
GLOW_CELL_PX = 8
WING_PX = 90


@dataclass(frozen=True, slots=True)
class StarField:
    """Stars in the plane of the sky, in pixels from the target, y up the rows."""

    x_px: Vector
    y_px: Vector
    mag: Vector
    colour_mag: Vector  # excess over the mean star


@dataclass(frozen=True, slots=True)
class Placement:
    """How the field lies on the sensor: centre offset and rotation."""

    shift_x_px: float
    shift_y_px: float
    rotation_deg: float

    def to_frame(self, x_px: Vector, y_px: Vector, shape: tuple[int, int]) -> tuple[Vector, Vector]:
        """Turn field coordinates into 0-based pixel coordinates."""
        cos, sin = _turn(self.rotation_deg)
        middle_x, middle_y = (shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0
        x = x_px * cos - y_px * sin + middle_x + self.shift_x_px
        y = x_px * sin + y_px * cos + middle_y + self.shift_y_px
        return x, y


def _turn(angle_deg: float) -> tuple[float, float]:
    return math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))


def _field_side_px(shape: tuple[int, int], margin_px: float) -> float:
    """Give the side of the square of sky that any rotation and dither of a frame falls in."""
    return math.hypot(*shape) + margin_px


def make_field(
    key: int, shape: tuple[int, int], detectable: int, margin_px: float = MARGIN_PX
) -> StarField:
    """Draw the star field of a target: counts rise by a power law, colours scatter.

    Parameters
    ----------
    key : int
        Seed of this field.
    shape : tuple of int
        Rows and columns of the frames it will be seen on.
    detectable : int
        Stars brighter than magnitude 18.8 on one frame, on average.
    margin_px : float
        How much larger than a frame's diagonal the square of sky is.
    """
    rng = np.random.default_rng([key, 101])
    side = _field_side_px(shape, margin_px)
    on_frame = detectable * 10 ** (COUNT_SLOPE * (FAINTEST_MAG - DETECTED_MAG))
    count = round(on_frame * side * side / (shape[0] * shape[1]))
    low, high = 10 ** (COUNT_SLOPE * BRIGHTEST_MAG), 10 ** (COUNT_SLOPE * FAINTEST_MAG)
    return StarField(
        x_px=rng.uniform(-side / 2, side / 2, count),
        y_px=rng.uniform(-side / 2, side / 2, count),
        mag=np.log10(rng.uniform(low, high, count)) / COUNT_SLOPE,
        colour_mag=rng.normal(0.0, 0.35, count),
    )


def zero_point_e_s(band: Filter, area_cm2: float, throughput: float) -> float:
    """Give electrons a second from magnitude 0: 1000 photons/s/cm2/angstrom (V, from memory)."""
    return 1000.0 * band.width_nm * 10.0 * area_cm2 * throughput


def star_fluxes_e_s(field: StarField, band: Filter, zero_point: float) -> Vector:
    """Give every star's electrons a second outside the filter's share of its colour."""
    mag = field.mag + band.colour_slope * field.colour_mag
    return np.asarray(zero_point * 10 ** (-0.4 * mag))


def _noise(rng: np.random.Generator, side: int, sigma_cells: float) -> Vector:
    """Draw smooth noise of unit scatter."""
    layer = gaussian_filter(rng.standard_normal((side, side)), max(0.7, sigma_cells), mode="wrap")
    return np.asarray(layer / layer.std())


def _nebula(rng: np.random.Generator, side: int, arcsec_px: float) -> Vector:
    """Draw an emission nebula, 0 to 1: a ragged-edged cloud, bright rims, filaments, dark lanes."""
    cell_arcmin = arcsec_px * GLOW_CELL_PX / 60.0
    layers = [_noise(rng, side, size / cell_arcmin) for size in (7.0, 2.6, 1.2, 0.55)]
    height = 0.5 + layers[0] + 0.45 * layers[1] + 0.22 * layers[2] + 0.10 * layers[3]
    body = 1.0 / (1.0 + np.exp(-5.0 * height))
    rims = np.exp(-((height - 0.25) ** 2) / 0.05)
    filaments = np.exp(-((_noise(rng, side, 2.0 / cell_arcmin) + 0.4 * layers[2]) ** 2) / 0.03)
    lanes = 1.0 - 0.75 / (1.0 + np.exp(-6.0 * (_noise(rng, side, 2.4 / cell_arcmin) - 1.1)))
    bright = 0.06 + 0.5 * body + 0.25 * rims + 0.15 * filaments * body
    return np.asarray(bright * lanes)


def _galaxy(rng: np.random.Generator, side: int, arcsec_px: float) -> Vector:
    """Draw an inclined spiral, 1 at the nucleus: exponential disc, two arms, star clouds."""
    cell_arcmin = arcsec_px * GLOW_CELL_PX / 60.0
    grid = (np.arange(side) - side / 2) * cell_arcmin
    cos, sin = _turn(67.0)
    along = grid[None, :] * cos + grid[:, None] * sin
    across = (grid[:, None] * cos - grid[None, :] * sin) / 0.6
    radius = np.hypot(along, across)
    ragged = 0.35 * _noise(rng, side, 1.5 / cell_arcmin)
    phase = np.arctan2(across, along) - 2.6 * np.log1p(radius / 1.2) + ragged
    arms = 0.45 + 1.1 * np.exp(-(np.sin(phase) ** 2) / 0.25)
    clouds = np.exp(0.22 * (_noise(rng, side, 0.5 / cell_arcmin) + _noise(rng, side, 0.2)))
    fade = radius**2 / (radius**2 + 1.0)  # no arms inside the nucleus
    disc = 0.45 * np.exp(-radius / 5.5)
    nucleus = 0.55 * np.exp(-radius / 0.7)
    return np.asarray(disc * (1.0 + fade * (arms * clouds - 1.0)) + nucleus)


@lru_cache(maxsize=4)
def glow_map(
    kind: str, key: int, shape: tuple[int, int], arcsec_px: float, margin_px: float = MARGIN_PX
) -> Vector:
    """Draw the glow of a target on a coarse grid over its whole field, peak about 1."""
    rng = np.random.default_rng([key, 202])
    side = math.ceil(_field_side_px(shape, margin_px) / GLOW_CELL_PX) + 2
    draw = _nebula if kind == "nebula" else _galaxy
    return draw(rng, side, arcsec_px)


def glow_e_s(target: Target, band: Filter, zero_point: float, pixel_arcsec2: float) -> float:
    """Give the electrons a second and pixel of the brightest part of a target's glow.

    A nebula shines in H-alpha alone, 400 rayleighs; a galaxy in all bands at 21.1 mag per square
    arcsecond.
    """
    if target.glow == "galaxy":
        return float(zero_point * 10 ** (-0.4 * 21.1) * pixel_arcsec2)
    if not band.passes_h_alpha:
        return 0.0
    photons = 400.0 * 1e6 / (4.0 * math.pi) * 2.3504e-11 * pixel_arcsec2  # a second and cm2
    band_zero = zero_point / (1000.0 * band.width_nm * 10.0)  # area times throughput
    return photons * band_zero


def place_glow(glow: Vector, place: Placement, shape: tuple[int, int]) -> Frame:
    """Lay a coarse glow map on a frame."""
    cos, sin = _turn(place.rotation_deg)
    inverse = np.array([[cos, -sin], [sin, cos]]) / GLOW_CELL_PX  # (row, column) order
    middle = np.array(
        [(shape[0] - 1) / 2 + place.shift_y_px, (shape[1] - 1) / 2 + place.shift_x_px]
    )
    offset = np.array(glow.shape) / 2.0 - inverse @ middle
    frame = affine_transform(
        glow, inverse, offset, output_shape=shape, output=np.float32, order=1, mode="nearest"
    )
    return np.asarray(frame)


def _add(frame: Frame, stamp: Vector, top: int, left: int, flux: float) -> None:
    """Add a stamp at a corner, cut off at the frame's edges."""
    rows, columns = frame.shape
    y0, x0 = max(top, 0), max(left, 0)
    y1, x1 = min(top + stamp.shape[0], rows), min(left + stamp.shape[1], columns)
    if y0 < y1 and x0 < x1:
        frame[y0:y1, x0:x1] += flux * stamp[y0 - top : y1 - top, x0 - left : x1 - left]


def _stamp(fine: Vector, radius: int, phase_y: int, phase_x: int) -> Vector:
    """Pick the pixels of a star whose centre lies a number of fine steps off a pixel's centre."""
    middle = fine.shape[0] // 2
    reach = radius * OVERSAMPLE
    rows = slice(middle - reach - phase_y, middle + reach - phase_y + 1, OVERSAMPLE)
    columns = slice(middle - reach - phase_x, middle + reach - phase_x + 1, OVERSAMPLE)
    return fine[rows, columns]


def _zone(position: Vector, length: int) -> NDArray[np.int64]:
    return np.clip((position * 3 / length).astype(np.int64), 0, 2)


def _add_wing(frame: Frame, psf: Psf, x: float, y: float, flux: float, hole_px: int) -> None:
    """Add the far wing of a bright star, where its stamp ended."""
    offsets = np.arange(-WING_PX, WING_PX + 1, dtype=np.float64)
    column, row = round(x), round(y)
    wing = moffat((offsets + (column - x))[None, :], (offsets + (row - y))[:, None], psf)
    inside = slice(WING_PX - hole_px, WING_PX + hole_px + 1)
    wing[inside, inside] = 0.0
    _add(frame, wing, row - WING_PX, column - WING_PX, flux)


def draw_stars(
    frame: Frame, x: Vector, y: Vector, flux_e: Vector, psf: Psf, optics: Optics
) -> None:
    """Add stars to a frame in electrons, each with the PSF of its ninth of the field.

    Centres are rounded to 1/8 px, which moves a star by 0.05 px at most on each axis and
    leaves its shape and flux exact.
    """
    radius = math.ceil(4.5 * psf.fwhm_px + psf.reach_px) + 2
    faintest_wing = moffat(np.array([float(radius)]), np.array([0.0]), psf)[0]
    zones = _zone(y, frame.shape[0]) * 3 + _zone(x, frame.shape[1])
    for zone in range(9):
        chosen = np.flatnonzero(zones == zone)
        own = optics.at(psf, ZONE_CENTRES[zone % 3], ZONE_CENTRES[zone // 3])
        fine = template(own, OVERSAMPLE, radius + 1)
        for star in _stamped(frame, fine, radius, x[chosen], y[chosen], flux_e[chosen]):
            if flux_e[chosen[star]] * faintest_wing > 0.5:
                i = chosen[star]
                _add_wing(frame, own, x[i], y[i], flux_e[i], radius)


def _stamped(
    frame: Frame, fine: Vector, radius: int, x: Vector, y: Vector, flux_e: Vector
) -> Iterable[int]:
    """Stamp stars one by one, giving back the number of each."""
    steps_x, steps_y = np.rint(x * OVERSAMPLE).astype(int), np.rint(y * OVERSAMPLE).astype(int)
    columns, rows = np.rint(x).astype(int), np.rint(y).astype(int)
    for i in range(len(x)):
        row, column = int(rows[i]), int(columns[i])
        stamp = _stamp(
            fine, radius, int(steps_y[i]) - row * OVERSAMPLE, int(steps_x[i]) - column * OVERSAMPLE
        )
        _add(frame, stamp, row - radius, column - radius, float(flux_e[i]))
        yield i


def draw_streak(
    frame: Frame, ends: tuple[float, float, float, float], peak_e: float, fwhm_px: float
) -> None:
    """Add a straight satellite trail through two points, out to the frame's edges."""
    x0, y0, x1, y1 = ends
    length = math.hypot(x1 - x0, y1 - y0)
    rows = np.arange(frame.shape[0], dtype=np.float32)[:, None]
    columns = np.arange(frame.shape[1], dtype=np.float32)[None, :]
    distance = (columns - np.float32(x0)) * np.float32((y1 - y0) / length)
    distance = distance - (rows - np.float32(y0)) * np.float32((x1 - x0) / length)
    width = np.float32(2.0 * alpha_of_line(fwhm_px))
    frame += np.float32(peak_e) * (1.0 + (2.0 * distance / width) ** 2) ** np.float32(-2.5)


def alpha_of_line(fwhm_px: float) -> float:
    """Give the core width of a Moffat profile of index 2.5, a beta-3 star drawn out to a line."""
    return float(fwhm_px / (2.0 * math.sqrt(2.0 ** (1.0 / 2.5) - 1.0)))
