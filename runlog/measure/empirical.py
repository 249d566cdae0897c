"""What the stars look like beyond the Moffat: their mean residual added back to the model."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.measure.pixels import F64, Mask
from runlog.measure.psf import Fits, Stamps
from runlog.measure.shape import adaptive_moments, pixel_moffat

CELLS = 4  # of the residual picture per fit pixel
ANGLES, RADII = 36, 72


@dataclass(frozen=True, slots=True)
class MeanResidual:
    """Mean residual over the model's peak on a fine grid centred on the star."""

    picture: F64  # (k, k), CELLS per fit pixel
    block: int  # frame pixels per fit pixel

    def at(self, x_px: F64, y_px: F64) -> F64:
        """Residual at offsets from the centre, in frame pixels; nothing beyond the stamps."""
        middle = (self.picture.shape[0] - 1) / 2
        step = self.block / CELLS
        where = [np.asarray(y_px) / step + middle, np.asarray(x_px) / step + middle]
        return np.asarray(
            ndimage.map_coordinates(self.picture, where, order=1, mode="constant", cval=0.0)
        )


def mean_residual(stamps: Stamps, fits: Fits, keep: Mask, block: int) -> MeanResidual:
    """Average the fits' residuals, each in units of its star's peak, at their true offsets."""
    params = fits.params[keep]
    radius = float(np.abs(stamps.dx).max())
    half = int(np.ceil((radius - 0.5) * CELLS))
    weight = stamps.weights[keep] * (params[:, 5, None] / stamps.noise[keep, None]) ** 2
    weight = weight / (1 + weight / np.median(weight[weight > 0]))  # no few stars rule it
    scaled = fits.residuals[keep] / params[:, 5, None]
    bound = 4 * 1.4826 * np.median(np.abs(scaled), axis=0)  # neighbours and cosmic rays
    weight = weight * (np.abs(scaled - np.median(scaled, axis=0)) <= bound)
    column = np.rint((stamps.dx - params[:, 0, None]) * CELLS).astype(int) + half
    row = np.rint((stamps.dy - params[:, 1, None]) * CELLS).astype(int) + half
    size = 2 * half + 1
    inside = (column >= 0) & (column < size) & (row >= 0) & (row < size)
    flat = (row * size + column)[inside]
    total = np.bincount(flat, (weight * scaled)[inside], size * size).reshape(size, size)
    count = np.bincount(flat, weight[inside], size * size).reshape(size, size)
    reach = CELLS - 1  # a little under one pixel: residuals do not vary faster
    total, count = ndimage.uniform_filter(total, reach), ndimage.uniform_filter(count, reach)
    floor = 1e-3 * count.max()
    return MeanResidual(np.where(count > floor, total / np.maximum(count, floor), 0), block)


def corrected_shape(
    matrix: F64, beta: float, residual: MeanResidual
) -> tuple[float, float, float]:
    """
    Return FWHM (px) and ellipticity (e1, e2) of the pixel-averaged model plus mean residual.

    The width is 2 sqrt(A / pi) with A the area above half maximum, the shape the adaptive
    second moments, both of the same sum.
    """
    long = float(np.sqrt(np.linalg.eigvalsh(matrix)[-1] * (2 ** (1 / beta) - 1)))  # half width
    reach = 2.6 * max(long, 0.9)
    radius, angle = np.linspace(0, reach, RADII), np.arange(ANGLES) * 2 * np.pi / ANGLES
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    light = pixel_moffat(x, y, matrix, beta) + residual.at(x, y)
    return width_of_polar(light, radius), *moments_of_sum(matrix, beta, residual, long)


def width_of_polar(light: F64, radius: F64) -> float:
    """2 sqrt(A/pi) from profiles along rays, A the area above half the highest value."""
    half = smooth_top(light) / 2
    below = np.argmax(light < half, axis=0)
    below = np.where((light < half).any(axis=0), below, len(radius) - 1)
    column = np.arange(light.shape[1])
    outer, inner = light[below, column], light[below - 1, column]
    part = np.clip((inner - half) / np.maximum(inner - outer, 1e-12), 0, 1)
    crossing = radius[below - 1] + part * (radius[1] - radius[0])
    return float(2 * np.sqrt(np.mean(crossing**2)))


def smooth_top(light: F64) -> float:
    """Highest value along the rays, averaged over opposite and neighbouring rays."""
    around = ndimage.uniform_filter1d(light, 5, axis=1, mode="wrap")
    opposite = np.roll(around, light.shape[1] // 2, axis=1)
    return float(np.max((around + opposite) / 2))


def moments_of_sum(
    matrix: F64, beta: float, residual: MeanResidual, long: float
) -> tuple[float, float]:
    """Adaptive ellipticity components of model plus residual on a fine grid."""
    step = max(long, 1.0) / 5
    grid = np.arange(-22, 23) * step
    y, x = np.meshgrid(grid, grid, indexing="ij")
    light = pixel_moffat(x, y, matrix, beta) + residual.at(x, y)
    e1, e2 = adaptive_moments(light[None], grid, max(long, 0.8))
    return float(e1[0]), float(e2[0])
