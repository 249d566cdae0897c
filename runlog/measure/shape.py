"""Widths and ellipses: from a fitted Moffat, from moments, and between conventions."""

from dataclasses import dataclass

import numpy as np

from runlog.measure.pixels import F64


@dataclass(frozen=True, slots=True)
class Ellipses:
    """Size and ellipticity of stars: log of the geometric-mean scale, and two components."""

    log_scale: F64  # log of the geometric mean of the two Moffat scales
    e1: F64  # (Mxx - Myy) / (Mxx + Myy)
    e2: F64  # 2 Mxy / (Mxx + Myy)
    covariance: F64  # (n, 3, 3) of the three


def ellipses_of(params: F64, covariance: F64) -> Ellipses:
    """
    Turn the fit's scale rates (p, q, s) into size and ellipticity with their covariance.

    The ellipse matrix is A^-1 with A = R^T R, R = [[e^p, s], [0, e^q]]; its ellipticity
    components are those of A with the sign turned.
    """
    p, q, s = params[:, 2], params[:, 3], params[:, 4]
    a, b, d = np.exp(2 * p), np.exp(p) * s, s**2 + np.exp(2 * q)
    total = a + d
    e1, e2 = (d - a) / total, -2 * b / total
    slope = np.zeros((len(params), 3, 3))
    slope[:, 0, 0] = slope[:, 0, 1] = -0.5
    for column, (da, db, dd) in enumerate(
        [(2 * a, b, 0 * a), (0 * a, 0 * a, 2 * np.exp(2 * q)), (0 * a, np.exp(p), 2 * s)]
    ):
        slope[:, 1, column] = ((dd - da) - e1 * (da + dd)) / total
        slope[:, 2, column] = (-2 * db - e2 * (da + dd)) / total
    moved = slope @ covariance[:, 2:5, 2:5] @ slope.transpose(0, 2, 1)
    return Ellipses(-0.5 * (p + q), e1, e2, moved)


def axis_ratio_of(e1: float, e2: float) -> float:
    """b/a of an ellipse with components (Mxx - Myy)/T and 2 Mxy/T."""
    e = min(float(np.hypot(e1, e2)), 1 - 1e-12)
    return float(np.sqrt((1 - e) / (1 + e)))


def angle_of(e1: float, e2: float) -> float:
    """Position angle of the long axis in degrees, +x towards +y, 0 to 180."""
    return float(np.degrees(0.5 * np.arctan2(e2, e1)) % 180)


def eccentricity_of(axis_ratio: float) -> float:
    return float(np.sqrt(max(0.0, 1 - axis_ratio**2)))


@dataclass(frozen=True, slots=True)
class SampledShape:
    """A PSF once the pixel has averaged it."""

    fwhm_px: float  # 2 sqrt(A / pi), A the area above half maximum
    e1: float  # adaptive second moments
    e2: float
    hfr_px: float


def sampled_moffat(log_scale: float, e1: float, e2: float, beta: float) -> SampledShape:
    """
    Average an elliptical Moffat over a square pixel and read its width and shape.

    The half-maximum area is the integral of r^2/2 over the angle; the pixel average is a
    5 x 5 Gauss-Legendre sum (fifth order: exact to 1e-4 down to a FWHM of one pixel).

    Parameters
    ----------
    log_scale : float
        Log of the geometric mean of the two Moffat scales, in pixels.
    e1, e2 : float
        Ellipticity components of the Moffat's scale matrix.
    beta : float
        Moffat index.

    Returns
    -------
    SampledShape
    """
    matrix = scale_matrix(log_scale, e1, e2)
    scale = float(np.exp(log_scale))
    long = float(np.sqrt(np.linalg.eigvalsh(matrix)[-1]))
    fwhm = half_maximum_width(matrix, beta, 2.5 * max(long, 1.0))
    step = max(scale, 0.5) / 8
    grid = np.arange(-4 * max(long, 0.8), 4 * max(long, 0.8) + step, step)
    gy, gx = np.meshgrid(grid, grid, indexing="ij")
    light = pixel_moffat(gx, gy, matrix, beta)
    m1, m2 = adaptive_moments(light[None], grid, max(scale, 0.5))
    hfr = half_flux_radius_of_moffat(matrix, beta)
    return SampledShape(fwhm, float(m1[0]), float(m2[0]), hfr)


def scale_matrix(log_scale: float, e1: float, e2: float) -> F64:
    """Symmetric matrix of squared Moffat scales with the given size and ellipticity."""
    e = min(np.hypot(e1, e2), 0.9999)
    half_trace = np.exp(2 * log_scale) / np.sqrt(1 - e**2)
    return np.array([[1 + e1, e2], [e2, 1 - e1]]) * half_trace


def pixel_moffat(x: F64, y: F64, matrix: F64, beta: float) -> F64:
    """Moffat of peak 1 averaged over the unit square around each point."""
    at, weight = np.polynomial.legendre.leggauss(5)
    (a, b), (_, d) = np.linalg.inv(matrix)
    light = np.zeros(np.shape(x))
    for node_x, weight_x in zip(at / 2, weight / 2, strict=True):
        for node_y, weight_y in zip(at / 2, weight / 2, strict=True):
            dx, dy = x + node_x, y + node_y
            base = 1 + a * dx * dx + 2 * b * dx * dy + d * dy * dy
            light += weight_x * weight_y * np.exp(-beta * np.log(base))
    return light


def half_maximum_width(matrix: F64, beta: float, reach_px: float) -> float:
    """2 sqrt(A/pi) of the pixel-averaged Moffat, A the area above half its maximum."""
    angle = np.linspace(0, np.pi, 24, endpoint=False)
    radius = np.linspace(0, reach_px, 60)
    x, y = radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)
    light = pixel_moffat(x, y, matrix, beta)
    half = light[0, 0] / 2
    below = np.argmax(light < half, axis=0)
    column = np.arange(len(angle))
    outer, inner = light[below, column], light[below - 1, column]
    # the logarithm of the profile bends least
    part = np.log(inner / half) / np.log(inner / outer)
    crossing = radius[below - 1] + part * radius[1]
    return float(2 * np.sqrt(np.mean(crossing**2)))


def half_flux_radius_of_moffat(matrix: F64, beta: float) -> float:
    """Radius of the circle that holds half the light of a pixel-averaged elliptical Moffat."""
    long, short = np.sqrt(np.linalg.eigvalsh(matrix)[::-1])
    top = 12 * long + 3
    radius = np.linspace(0, 1, 240) ** 2 * top
    angle = (np.arange(16) + 0.5) * np.pi / 16
    diagonal = np.diag([long**2, short**2])
    light = pixel_moffat(
        radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle), diagonal, beta
    ).mean(axis=1)
    ring = light * radius * 2 * np.pi
    grown = np.concatenate([[0], np.cumsum((ring[1:] + ring[:-1]) / 2 * np.diff(radius))])
    total = np.pi * long * short / (beta - 1)
    return float(np.interp(total / 2, grown, radius))


def adaptive_moments(
    light: F64, axis_px: F64, scale_px: float, rounds: int = 60
) -> tuple[F64, F64]:
    """
    Return ellipticity components from moments weighted by the matching Gaussian.

    Bernstein and Jarvis 2002, AJ 123, 583, section 3: the weight takes the shape of what it
    measures; the moments of a Gaussian seen through its twin are half its own.

    Parameters
    ----------
    light : ndarray, shape (n, k, k)
        Centred pictures.
    axis_px : ndarray, shape (k,)
        Coordinate of each row and column.
    scale_px : float
        First guess of the Gaussian sigma.

    Returns
    -------
    e1, e2 : ndarray, shape (n,)
    """
    xx, yy, xy = adaptive_matrix(light, axis_px, scale_px, rounds)
    total = xx + yy
    return (xx - yy) / total, 2 * xy / total


def adaptive_matrix(
    light: F64, axis_px: F64, scale_px: float, rounds: int = 60
) -> tuple[F64, F64, F64]:
    """Adaptive second moments (xx, yy, xy) of centred pictures, in px^2."""
    count = len(light)
    xx, yy, xy = np.full(count, scale_px**2), np.full(count, scale_px**2), np.zeros(count)
    x, y = axis_px[None, None, :], axis_px[None, :, None]
    for _ in range(rounds):
        det = np.maximum(xx * yy - xy**2, 1e-12)
        exponent = (yy[:, None, None] * x**2 - 2 * xy[:, None, None] * x * y
                    + xx[:, None, None] * y**2) / det[:, None, None]  # fmt: skip
        seen = light * np.exp(-0.5 * exponent)
        total = seen.sum(axis=(1, 2))
        total = np.where(np.abs(total) < 1e-12, 1e-12, total)
        new = [np.sum(seen * moment, axis=(1, 2)) / total for moment in (x * x, y * y, x * y)]
        before = xx + yy
        xx, yy, xy = (2 * moment for moment in new)
        xx, yy = np.maximum(xx, 1e-4), np.maximum(yy, 1e-4)
        if np.all(np.abs(xx + yy - before) < 1e-5 * before):
            break
    return xx, yy, xy
