"""What the stars look like beyond the Moffat: their mean residual added back to the model."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.measure.pixels import F64, Mask
from runlog.measure.psf import Fits, Stamps
from runlog.measure.shape import adaptive_moments, pixel_moffat

CELLS = 4  # of the residual picture per fit pixel
ANGLES, RADII = 36, 72
SHARPENINGS = 3
# what is left when star noise is not the limit, seen on drawn fields of many profiles
WIDTH_FLOOR = 0.003
ELLIPTICITY_FLOOR = 0.0005
DOUBT = 0.35  # of a correction: the share of it that may itself be wrong


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


@dataclass(frozen=True, slots=True)
class Samples:
    """Scaled residuals of many stars and where around the star's centre each one lies."""

    values: F64  # (n,) residual over the star's peak
    weights: F64
    row: F64  # in cells from the picture's middle
    column: F64
    half: int  # cells from the middle to the edge

    def averaged(self, values: F64, smooth: int) -> tuple[F64, F64, F64]:
        """Sums of weighted values, of weights and of squares in every cell and its mirror."""
        size = 2 * self.half + 1
        row = np.rint(self.row).astype(int) + self.half
        column = np.rint(self.column).astype(int) + self.half
        flat = row * size + column
        sums = [
            folded(np.bincount(flat, part, size * size).astype(float).reshape(size, size), smooth)
            for part in (self.weights * values, self.weights, (self.weights * values) ** 2)
        ]
        return sums[0], sums[1], sums[2]

    def expected(self, picture: F64) -> F64:
        """What a residual picture says at the samples."""
        where = [self.row + self.half, self.column + self.half]
        return np.asarray(ndimage.map_coordinates(picture, where, order=1, mode="nearest"))


def mean_residual(
    stamps: Stamps, fits: Fits, keep: Mask, block: int, fwhm_fit_px: float
) -> MeanResidual:
    """
    Average the fits' residuals, each in units of its star's peak, at their true offsets.

    Averaging over cells blurs; what the blurred picture does not explain is averaged again
    and added, which takes most of the blur out (the way effective PSFs are built: Anderson
    and King 2000, PASP 112, 1360).
    """
    samples = residual_samples(stamps, fits, keep)
    smooth = int(CELLS * max(0.75, fwhm_fit_px / 3.5)) | 1  # residuals do not vary faster
    light, count, square = samples.averaged(samples.values, smooth)
    known = count > 1e-3 * count.max()
    safe = np.where(known, count, 1)
    picture = np.where(known, light / safe, 0)
    noise = np.where(known, square / (smooth * safe) ** 2, 0)
    # shrunk by the share of its energy that is noise, so that it never adds more than it takes
    share = max(0.0, 1 - float(noise.sum()) / max(float(np.sum(picture**2)), 1e-30))
    picture *= share
    for _ in range(SHARPENINGS if share > 0.5 else 0):
        missed = samples.values - samples.expected(picture)
        picture += share * np.where(known, samples.averaged(missed, smooth)[0] / safe, 0)
    return MeanResidual(picture, block)


def residual_samples(stamps: Stamps, fits: Fits, keep: Mask) -> Samples:
    """Scale residuals by their stars' peaks, weigh them, and leave out other stars' light."""
    params = fits.params[keep]
    half = int(np.ceil((np.abs(stamps.dx).max() - 0.5) * CELLS))
    weight = stamps.weights[keep] * (params[:, 5, None] / stamps.noise[keep, None]) ** 2
    weight = weight / (1 + weight / np.median(weight[weight > 0]))  # no few stars rule it
    scaled = fits.residuals[keep] / params[:, 5, None]
    middle = np.median(scaled, axis=0)
    bound = 5 * 1.4826 * np.median(np.abs(scaled - middle), axis=0)
    weight = weight * (np.abs(scaled - middle) <= bound)
    column = (stamps.dx - params[:, 0, None]) * CELLS
    row = (stamps.dy - params[:, 1, None]) * CELLS
    inside = (np.abs(column) < half) & (np.abs(row) < half) & (weight > 0)
    return Samples(scaled[inside], weight[inside], row[inside], column[inside], half)


def folded(cells: F64, smooth: int) -> F64:
    """Average over a small square, each cell together with its mirror image."""
    return np.asarray(ndimage.uniform_filter(cells + cells[::-1, ::-1], smooth))


@dataclass(frozen=True, slots=True)
class CorrectedShape:
    """Width and ellipticity of the model with the mean residual, and of the model alone."""

    fwhm_px: float
    e1: float
    e2: float
    model_fwhm_px: float
    model_e1: float
    model_e2: float

    @property
    def width_doubt(self) -> float:
        """Relative error of the width that no scatter of the stars shows."""
        return float(np.hypot(WIDTH_FLOOR, DOUBT * (self.fwhm_px / self.model_fwhm_px - 1)))

    @property
    def ellipticity_doubt(self) -> float:
        """Error of either ellipticity component that no scatter of the stars shows."""
        moved = np.hypot(self.e1 - self.model_e1, self.e2 - self.model_e2)
        return float(np.hypot(ELLIPTICITY_FLOOR, DOUBT * moved))


def corrected_shape(matrix: F64, beta: float, residual: MeanResidual) -> CorrectedShape:
    """
    Measure the pixel-averaged model with and without its mean residual.

    The width is 2 sqrt(A / pi) with A the area above half maximum, the shape the adaptive
    second moments, both of the same sum.
    """
    long = float(np.sqrt(np.linalg.eigvalsh(matrix)[-1] * (2 ** (1 / beta) - 1)))  # half width
    reach = 2.6 * max(long, 0.9)
    radius, angle = np.linspace(0, reach, RADII), np.arange(ANGLES) * 2 * np.pi / ANGLES
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    model = pixel_moffat(x, y, matrix, beta)
    width = width_of_polar(model + residual.at(x, y), radius)
    moments = moments_of_sum(matrix, beta, residual, long)
    return CorrectedShape(width, *moments[0], width_of_polar(model, radius), *moments[1])


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
) -> list[tuple[float, float]]:
    """Adaptive ellipticity components of model plus residual, and of the model alone."""
    grid = np.arange(-22, 23) * max(long, 1.0) / 5
    y, x = np.meshgrid(grid, grid, indexing="ij")
    model = pixel_moffat(x, y, matrix, beta)
    both = np.stack([model + residual.at(x, y), model])
    e1, e2 = adaptive_moments(both, grid, max(long, 0.8))
    return [(float(e1[k]), float(e2[k])) for k in range(2)]
