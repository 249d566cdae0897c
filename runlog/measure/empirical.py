"""What the stars look like beyond the Moffat: their mean residual added back to the model."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.medians import median_and_sigma
from runlog.measure.pixels import F32, F64, Mask
from runlog.measure.psf import Fits, Stamps, evaluate, quadrature, weight_variance
from runlog.measure.shape import adaptive_moments, pixel_moffat

CELLS = 4  # of the residual picture per fit pixel
ANGLES, RADII = 36, 72
TOP_SHARE = 0.4  # of the short half width: the top is averaged that far around, as noise is high
SHARPENINGS = 3
# what is left when star noise is not the limit, seen on drawn fields of many profiles
WIDTH_FLOOR = 0.004
ELLIPTICITY_FLOOR = 0.0003
# of a correction: the share of it that may itself be wrong
WIDTH_DOUBT, ELLIPTICITY_DOUBT = 0.35, 0.1


@dataclass(frozen=True, slots=True)
class MeanResidual:
    """Mean residual over the model's peak on a fine grid centred on the star."""

    picture: F64  # (k, k), CELLS per fit pixel
    block: int  # frame pixels per fit pixel
    left_over: float = 0.0  # share of the typical star's energy not explained with it, no noise

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

    values: F32  # (n,) residual over the star's peak
    weights: F64
    row: F32  # in cells from the picture's middle
    column: F32
    half: int  # cells from the middle to the edge

    def averaged(self, values: F32 | F64, smooth: int) -> tuple[F64, F64, F64]:
        """Sums of weighted values, of weights and of squares in every cell."""
        size = 2 * self.half + 1
        row = np.rint(self.row).astype(int) + self.half
        column = np.rint(self.column).astype(int) + self.half
        flat = row * size + column
        sums = [
            softened(np.bincount(flat, part, size * size).astype(float).reshape(size, size), smooth)
            for part in (self.weights * values, self.weights, (self.weights * values) ** 2)
        ]
        return sums[0], sums[1], sums[2]

    def expected(self, picture: F64) -> F64:
        """What a residual picture says at the samples."""
        where = [self.row + self.half, self.column + self.half]
        return np.asarray(ndimage.map_coordinates(picture, where, order=1, mode="nearest"))


def mean_residual(
    stamps: Stamps, fits: Fits, keep: Mask, shared: F64, larger: F64, block: int,
    fwhm_fit_px: float,
) -> MeanResidual:  # fmt: skip
    """
    Average what one model shared by all stars leaves of each, in units of the star's peak.

    Each star's own fit bends to its pixels: what is left of it says little about the mean
    star where stars are narrow. So every star is laid under the shared shape at its own size,
    and once more under that with its mean residual, before the residuals are averaged at their
    true offsets (the way effective PSFs are built: Anderson and King 2000, PASP 112, 1360).

    Parameters
    ----------
    stamps : Stamps
        The n stars' pixels, ADU.
    fits : Fits
        The model of each.
    keep : ndarray of bool, shape (n,)
        Which stars count.
    shared : ndarray, shape (3,)
        p, q and s of the frame's mean ellipse (see `psf.fit_moffats`), one over fit px.
    larger : ndarray, shape (n,)
        Log of each star's size over the mean, no unit.
    block : int
        Frame px in a fit pixel, each way.
    fwhm_fit_px : float
        Width of the frame's star, fit px.

    Returns
    -------
    MeanResidual
        Over the star's peak, no unit.
    """
    chosen = stamps.pick(keep)
    params = fits.params[keep].copy()
    times = np.exp(larger[keep])
    params[:, 2:4] = shared[:2] - larger[keep, None]
    params[:, 4] = shared[2] / times
    nodes = quadrature(fwhm_fit_px)
    laid = lay(chosen, params, 1 / fits.beta, nodes)
    picture = np.zeros((1, 1))  # no residual at first
    for _ in range(2):
        laid = laid_better(chosen, laid, times, 1 / fits.beta, nodes, picture)
        left = chosen.values - laid.model
        picture = averaged_picture(residual_samples(chosen, laid.params, times, left), fwhm_fit_px)
    light, _, _ = residual_at(picture, chosen, laid.params, times)
    missed = left - laid.params[:, 5, None] * light
    energy = np.sum((missed**2 - chosen.noise[:, None] ** 2) * chosen.weights, axis=1)
    star = np.sum((chosen.values - chosen.around[:, None]) ** 2 * chosen.weights, axis=1)
    return MeanResidual(picture, block, float(np.median(energy / np.maximum(star, 1e-30))))


@dataclass(frozen=True, slots=True)
class Laid:
    """Stars under the shared model: parameters (n, 6), model (n, m), slopes by x, y and peak."""

    params: F64
    model: F32
    slopes: F32


def lay(stamps: Stamps, params: F64, gamma: float, nodes: list[tuple[float, float, float]]) -> Laid:
    """Reckon the shared model where each star is."""
    model = evaluate(params, gamma, stamps, nodes)
    return Laid(params, model.light, model.slopes[:, [0, 1, 5]])


def laid_better(
    stamps: Stamps, laid: Laid, times: F64, gamma: float,
    nodes: list[tuple[float, float, float]], picture: F64,
) -> Laid:  # fmt: skip
    """Fit each star's place and peak under the shared model (with its residual, if any)."""
    seen, slopes = stamps.values - laid.model, laid.slopes
    if picture.size > 1:
        peak = laid.params[:, 5, None].astype(np.float32)
        light, by_x, by_y = residual_at(picture, stamps, laid.params, times)
        seen = seen - peak * light
        slopes = slopes + np.stack([peak * by_x, peak * by_y, light], axis=1)
    weighted = slopes * (stamps.weights / weight_variance(stamps, laid.model, 0.0))[:, None]
    normal = (weighted @ slopes.transpose(0, 2, 1)).astype(float)
    normal[:, range(3), range(3)] *= 1 + 1e-6
    normal[:, range(3), range(3)] += 1e-30
    step = np.linalg.solve(normal, (weighted @ seen[:, :, None]).astype(float))
    params = laid.params.copy()
    params[:, :2] += np.clip(step[:, :2, 0], -0.3, 0.3)
    params[:, 5] = np.maximum(params[:, 5] + step[:, 2, 0], 0.3 * params[:, 5])
    return lay(stamps, params, gamma, nodes)


def residual_at(picture: F64, stamps: Stamps, params: F64, times: F64) -> tuple[F32, F32, F32]:
    """The residual picture at every pixel of every star, and its slopes by the star's x and y."""
    flat = np.pad(picture, 1).astype(np.float32)  # nothing beyond
    size = flat.shape[0]
    row, column = cells_of(stamps, params, times)
    row, column = (np.clip(at + size // 2, 0, size - 1.001) for at in (row, column))
    top, left = row.astype(np.int64), column.astype(np.int64)
    down, over = (row - top).astype(np.float32), (column - left).astype(np.float32)
    at, flat = top * size + left, flat.ravel()
    here, beside, below, across = (flat[at + k] for k in (0, 1, size, size + 1))
    upper, lower = beside - here, across - below
    left_side, right_side = below - here, across - beside
    cells = (CELLS / times[:, None]).astype(np.float32)
    light = here + over * upper + down * (left_side + over * (lower - upper))
    by_x = -cells * (upper + down * (lower - upper))
    by_y = -cells * (left_side + over * (right_side - left_side))
    return light, by_x, by_y


def cells_of(stamps: Stamps, params: F64, times: F64) -> tuple[F32, F32]:
    """Row and column of every pixel around its star's centre, in cells, the star's size one."""
    cells = (CELLS / times[:, None]).astype(np.float32)
    x, y = (params[:, k, None].astype(np.float32) for k in (0, 1))
    return (stamps.dy - y) * cells, (stamps.dx - x) * cells


def averaged_picture(samples: Samples, fwhm_fit_px: float) -> F64:
    """
    Residuals averaged in cells a quarter of a pixel wide.

    Averaging over cells blurs; what the blurred picture does not explain is averaged again
    and added, which takes most of the blur out.

    The whole is shrunk by the share of its energy that is no noise: the positive-part estimate
    of James and Stein (1961, Proc. Fourth Berkeley Symp. 1, 361; Efron and Morris 1973, JASA 68,
    117), towards the model alone. So few or faint stars correct it little, and many bright ones
    in full: on 440 drawn fields that is nearer the truth than any fixed share of the correction.
    """
    smooth = int(CELLS * max(0.75, fwhm_fit_px / 3.5)) | 1  # residuals do not vary faster
    light, count, square = samples.averaged(samples.values, smooth)
    known = count > 1e-3 * count.max()
    safe = np.where(known, count, 1)
    picture = np.where(known, light / safe, 0)
    noise = np.where(known, square / (smooth * safe) ** 2, 0)
    share = max(0.0, 1 - float(noise.sum()) / max(float(np.sum(picture**2)), 1e-30))
    picture *= share
    for _ in range(SHARPENINGS if share > 0.5 else 0):
        missed = samples.values - samples.expected(picture)
        picture += share * np.where(known, samples.averaged(missed, smooth)[0] / safe, 0)
    return np.asarray(picture)


def residual_samples(stamps: Stamps, params: F64, times: F64, residuals: F32) -> Samples:
    """Scale residuals by their stars' peaks, weigh them, and leave out other stars' light."""
    half = int(np.ceil((np.abs(stamps.dx).max() - 0.5) * CELLS))
    weight = stamps.weights * (params[:, 5, None] / stamps.noise[:, None]) ** 2
    weight = weight / (1 + weight / np.median(weight[weight > 0]))  # no few stars rule it
    scaled: F32 = np.asarray(residuals / params[:, 5, None], np.float32)
    middle, sigma = median_and_sigma(scaled.T)
    weight = weight * (np.abs(scaled - middle) <= 5 * sigma)
    row, column = cells_of(stamps, params, times)
    inside = (np.abs(column) < half) & (np.abs(row) < half) & (weight > 0)
    return Samples(scaled[inside], weight[inside], row[inside], column[inside], half)


def softened(cells: F64, smooth: int) -> F64:
    """Average over a small square."""
    return np.asarray(ndimage.uniform_filter(cells, smooth))


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
        return float(np.hypot(WIDTH_FLOOR, WIDTH_DOUBT * (self.fwhm_px / self.model_fwhm_px - 1)))

    @property
    def ellipticity_doubt(self) -> float:
        """Error of either ellipticity component that no scatter of the stars shows."""
        moved = np.hypot(self.e1 - self.model_e1, self.e2 - self.model_e2)
        return float(np.hypot(ELLIPTICITY_FLOOR, ELLIPTICITY_DOUBT * moved))


def corrected_shape(matrix: F64, beta: float, residual: MeanResidual) -> CorrectedShape:
    """
    Measure the pixel-averaged model with and without its mean residual.

    The width is 2 sqrt(A / pi) with A the area above half maximum, the shape the adaptive
    second moments, both of the same sum.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        Squared scales of the Moffat, px^2.
    beta : float
        Its index.
    residual : MeanResidual
        What the model leaves of the stars, over their peak.

    Returns
    -------
    CorrectedShape
        Widths in px, ellipticity components without a unit.
    """
    short, long = np.sqrt(np.linalg.eigvalsh(matrix) * (2 ** (1 / beta) - 1))  # half widths
    reach = 2.6 * max(float(long), 0.9)
    radius, angle = np.linspace(0, reach, RADII), np.arange(ANGLES) * 2 * np.pi / ANGLES
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    plain = pixel_moffat(x, y, matrix, beta)
    top = radius <= TOP_SHARE * max(float(short), 0.7)
    kept = float(plain[0, 0] / mean_of_disc(plain, radius, top))
    at_x, at_y = summit(matrix, beta, residual, float(short), float(long))
    x, y = x + at_x, y + at_y
    light = pixel_moffat(x, y, matrix, beta) + residual.at(x, y)
    width = width_of_polar(light, radius, kept * mean_of_disc(light, radius, top))
    moments = moments_of_sum(matrix, beta, residual, float(long))
    modelled = width_of_polar(plain, radius, float(plain[0, 0]))
    return CorrectedShape(width, *moments[0], modelled, *moments[1])


def mean_of_disc(light: F64, radius: F64, inside: Mask) -> float:
    """Mean light within a radius, where one value would be noise."""
    return float(np.average(light[inside].mean(axis=1), weights=radius[inside] + radius[1] / 4))


def summit(
    matrix: F64, beta: float, residual: MeanResidual, short: float, long: float
) -> tuple[float, float]:
    """Where the sum of model and mean residual is brightest: comets peak off their centre."""
    grid = np.arange(-20, 21) * long / 20
    y, x = np.meshgrid(grid, grid, indexing="ij")
    light = pixel_moffat(x, y, matrix, beta) + residual.at(x, y)
    soft = ndimage.gaussian_filter(light, TOP_SHARE * max(short, 0.7) / (grid[1] - grid[0]))
    row, column = np.unravel_index(np.argmax(soft), soft.shape)
    return float(grid[column]), float(grid[row])


def width_of_polar(light: F64, radius: F64, top: float) -> float:
    """2 sqrt(A/pi) from profiles along rays, A the area above half of the top."""
    below = np.argmax(light < top / 2, axis=0)
    below = np.where((light < top / 2).any(axis=0), below, len(radius) - 1)
    column = np.arange(light.shape[1])
    outer, inner = light[below, column], light[below - 1, column]
    part = np.clip((inner - top / 2) / np.maximum(inner - outer, 1e-12), 0, 1)
    crossing = radius[below - 1] + part * (radius[1] - radius[0])
    return float(2 * np.sqrt(np.mean(crossing**2)))


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
