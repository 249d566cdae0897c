"""Widths and ellipses: from a fitted Moffat, from moments, and between conventions."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from runlog.measure.pixels import F64

WIDE_FOR_PIXEL = 1.5  # px, half width


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

    Parameters
    ----------
    params : ndarray, shape (n, 5 or more)
        Columns 2 to 4 are p, q and s, one over px.
    covariance : ndarray, shape (n, m, m)
        Of the parameters, in the same units.

    Returns
    -------
    Ellipses
        Sizes as logs of px.

    References
    ----------
    The complex ellipticity chi: Bartelmann and Schneider 2001, Physics Reports 340, 291,
    section 4.2 (from memory).
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


def rates_of(log_scale: float, e1: float, e2: float) -> F64:
    """
    Undo `ellipses_of`: p, q and s of an ellipse.

    Parameters
    ----------
    log_scale : float
        Log of the geometric mean of both scales, px.
    e1, e2 : float
        Ellipticity components.

    Returns
    -------
    ndarray, shape (3,)
        e^p, e^q and s are one over px.
    """
    (a, b), (_, d) = np.linalg.inv(scale_matrix(log_scale, e1, e2))
    s = b / np.sqrt(a)
    return np.array([0.5 * np.log(a), 0.5 * np.log(d - s * s), s])


def axis_ratio_of(e1: float, e2: float) -> float:
    """
    b/a of an ellipse with components (Mxx - Myy)/T and 2 Mxy/T.

    Parameters
    ----------
    e1, e2 : float
        Ellipticity components.

    Returns
    -------
    float
        0 to 1, never 0.

    References
    ----------
    The complex ellipticity chi: Bartelmann and Schneider 2001, Physics Reports 340, 291,
    section 4.2 (from memory).
    """
    e = min(float(np.hypot(e1, e2)), 1 - 1e-12)
    return float(np.sqrt((1 - e) / (1 + e)))


def angle_of(e1: float, e2: float) -> float:
    """
    Position angle of the long axis in degrees, +x towards +y, 0 to 180.

    Parameters
    ----------
    e1, e2 : float
        Ellipticity components.

    Returns
    -------
    float
    """
    return float(np.degrees(0.5 * np.arctan2(e2, e1)) % 180)


def eccentricity_of(axis_ratio: float) -> float:
    """
    Eccentricity sqrt(1 - (b/a)^2) of an ellipse.

    Parameters
    ----------
    axis_ratio : float
        b/a, 0 to 1.

    Returns
    -------
    float
        0 to 1.
    """
    return float(np.sqrt(max(0.0, 1 - axis_ratio**2)))


def scale_matrix(log_scale: float, e1: float, e2: float) -> F64:
    """
    Symmetric matrix of squared Moffat scales with the given size and ellipticity.

    Parameters
    ----------
    log_scale : float
        Log of the geometric mean of both scales, px.
    e1, e2 : float
        Ellipticity components.

    Returns
    -------
    ndarray, shape (2, 2)
        px^2.
    """
    e = min(np.hypot(e1, e2), 0.9999)
    half_trace = np.exp(2 * log_scale) / np.sqrt(1 - e**2)
    return np.asarray(np.array([[1 + e1, e2], [e2, 1 - e1]]) * half_trace)


def pixel_moffat(x: F64, y: F64, matrix: F64, beta: float) -> F64:
    """
    Moffat of peak 1 averaged over the unit square around each point.

    By Gauss-Legendre points, five each way, or three where the star is so wide that these are
    right to 1e-5 (their error goes with the sixth power of the pixel over the star).

    Parameters
    ----------
    x, y : ndarray, any shape
        Distances from the middle, px.
    matrix : ndarray, shape (2, 2)
        Squared scales, px^2.
    beta : float
        Index of the profile.

    Returns
    -------
    ndarray, shape of x
        Over the peak before the pixel, no unit.

    References
    ----------
    Moffat 1969, A&A 3, 455.
    """
    (a, b), (_, d) = np.linalg.inv(matrix)
    at, weight = pixel_nodes(3 if half_width(matrix, beta) > WIDE_FOR_PIXEL else 5)
    base = 1 + a * x * x + 2 * b * x * y + d * y * y
    by_x, by_y = 2 * (a * x + b * y), 2 * (b * x + d * y)
    light = np.zeros(np.shape(x))
    for i, j in np.ndindex(len(at), len(at)):
        u, v = at[i], at[j]
        here = base + (u * by_x + v * by_y + (a * u * u + 2 * b * u * v + d * v * v))
        light += weight[i] * weight[j] * np.exp(-beta * np.log(here))
    return light


@cache
def pixel_nodes(count: int) -> tuple[F64, F64]:
    """Gauss-Legendre points over a pixel's side, from its middle, and their weights."""
    at, weight = np.polynomial.legendre.leggauss(count)
    return at / 2, weight / 2


def half_width(matrix: F64, beta: float) -> float:
    """Half width at half maximum along the short axis of a Moffat of squared scales."""
    return float(np.sqrt(np.linalg.eigvalsh(matrix)[0] * (2 ** (1 / beta) - 1)))


def length_without_noise(length: float, noise: float) -> float:
    """
    Take the noise of its two components out of the length of a mean ellipticity.

    Noise only ever lengthens. Here p - b^2 (1 - exp(-p^2 / b^2)) / 2p is taken.
    It goes over into the usual quadratic difference where the length is sure, and where it is
    not it stays above zero: a star is never said to be exactly round.

    Parameters
    ----------
    length : float
        Length of the measured mean, no unit.
    noise : float
        Standard error of either component.

    Returns
    -------
    float
        No unit; at least 0.

    References
    ----------
    Plaszczynski, Montier, Levrier and Tristram 2014, MNRAS 439, 4048, equation 37, for the same
    problem in polarimetry.
    """
    if length <= 0 or noise <= 0:
        return max(length, 0.0)
    return length - noise**2 * -float(np.expm1(-((length / noise) ** 2))) / (2 * length)


def eccentricity_error(length: float, length_err: float) -> float:
    """
    Error of the eccentricity from that of the ellipticity's length.

    The larger of the two steps that one error of the length makes, up or down as far as
    round: the eccentricity goes with the square root of the length, so near round a slope
    would say nothing, while value plus error stays an upper limit.

    Parameters
    ----------
    length : float
        Of the mean ellipticity, no unit.
    length_err : float
        Its standard error.

    Returns
    -------
    float
    """
    low, here, high = (
        eccentricity_of(axis_ratio_of(min(max(at, 0.0), 1.0), 0.0))
        for at in (length - length_err, length, length + length_err)
    )
    return max(here - low, high - here)


@dataclass(frozen=True, slots=True)
class Growth:
    """Share of a star's light within a radius."""

    radius_px: F64
    share: F64

    @property
    def half_flux_radius_px(self) -> float:
        return float(np.interp(0.5, self.share, self.radius_px))

    def within(self, radius_px: float) -> float:
        """Share of the light inside a radius; 1 beyond the curve."""
        return float(np.interp(radius_px, self.radius_px, self.share))


def moffat_growth(matrix: F64, beta: float) -> Growth:
    """
    Curve of growth of a pixel-averaged elliptical Moffat.

    The profile is averaged over the angle on rings; the total is pi a b / (beta - 1), which
    averaging over the pixel does not change.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        Squared scales, px^2.
    beta : float
        Index of the profile, above 1.

    Returns
    -------
    Growth
        Radii in px.

    References
    ----------
    Moffat 1969, A&A 3, 455; its integral over the plane is elementary.
    """
    long, short = np.sqrt(np.linalg.eigvalsh(matrix)[::-1])
    radius = np.linspace(0, 1, 160) ** 2 * (12 * long + 3)
    angle = (np.arange(10) + 0.5) * np.pi / 20  # a quarter: the ellipse lies along the axes
    light = pixel_moffat(
        radius[:, None] * np.cos(angle),
        radius[:, None] * np.sin(angle),
        np.diag([long**2, short**2]),
        beta,
    ).mean(axis=1)
    ring = light * radius * 2 * np.pi
    grown = np.concatenate([[0], np.cumsum((ring[1:] + ring[:-1]) / 2 * np.diff(radius))])
    return Growth(radius, np.minimum(grown / (np.pi * long * short / (beta - 1)), 1.0))


def adaptive_moments(
    light: F64, axis_px: F64, scale_px: float, rounds: int = 60
) -> tuple[F64, F64]:
    """
    Return ellipticity components from moments weighted by the matching Gaussian.

    The weight takes the shape of what it measures; the moments of a Gaussian seen through its
    twin are half its own.

    Parameters
    ----------
    light : ndarray, shape (n, k, k)
        Centred pictures, of any unit.
    axis_px : ndarray, shape (k,)
        Coordinate of each row and column.
    scale_px : float
        First guess of the Gaussian sigma.
    rounds : int
        Most iterations.

    Returns
    -------
    e1, e2 : ndarray, shape (n,)
        No unit.

    References
    ----------
    Bernstein and Jarvis 2002, AJ 123, 583, section 3.
    """
    xx, yy, xy = adaptive_matrix(light, axis_px, scale_px, rounds)
    total = xx + yy
    return (xx - yy) / total, 2 * xy / total


def adaptive_matrix(
    light: F64, axis_px: F64, scale_px: float, rounds: int = 60
) -> tuple[F64, F64, F64]:
    """
    Adaptive second moments (xx, yy, xy) of pictures about their own centres, in px^2.

    The weight moves along with what it sees: a Gaussian seen through its twin is off by half
    of what the twin is. It is never narrower than a pixel's own variance, 1/12 of its square.

    Parameters
    ----------
    light : ndarray, shape (n, k, k)
        Centred pictures, of any unit.
    axis_px : ndarray, shape (k,)
        Coordinate of each row and column.
    scale_px : float
        First guess of the Gaussian sigma.
    rounds : int
        Most iterations.

    Returns
    -------
    xx, yy, xy : ndarray, shape (n,)
        px^2.

    References
    ----------
    Bernstein and Jarvis 2002, AJ 123, 583, section 3.
    """
    count, least = len(light), (axis_px[1] - axis_px[0]) ** 2 / 12
    xx, yy, xy = np.full(count, scale_px**2), np.full(count, scale_px**2), np.zeros(count)
    x0, y0 = np.zeros(count), np.zeros(count)
    for _ in range(rounds):
        x, y = axis_px - x0[:, None], axis_px - y0[:, None]
        x, y = x[:, None, :], y[:, :, None]
        det = np.maximum(xx * yy - xy**2, 1e-12)
        exponent = (yy[:, None, None] * x**2 - 2 * xy[:, None, None] * x * y
                    + xx[:, None, None] * y**2) / det[:, None, None]  # fmt: skip
        seen = light * np.exp(-0.5 * exponent)
        total = seen.sum(axis=(1, 2))
        total = np.where(np.abs(total) < 1e-12, 1e-12, total)
        across, down = seen.sum(axis=1), seen.sum(axis=2)
        mx, my = (
            np.sum(across * x[:, 0], axis=1) / total,
            np.sum(down * y[:, :, 0], axis=1) / total,
        )
        new_xx = np.sum(across * x[:, 0] ** 2, axis=1) / total - mx**2
        new_yy = np.sum(down * y[:, :, 0] ** 2, axis=1) / total - my**2
        new_xy = np.einsum("nij,ni,nj->n", seen, y[:, :, 0], x[:, 0]) / total - mx * my
        x0 = np.clip(x0 + np.clip(2 * mx, -scale_px, scale_px), axis_px[0] / 2, axis_px[-1] / 2)
        y0 = np.clip(y0 + np.clip(2 * my, -scale_px, scale_px), axis_px[0] / 2, axis_px[-1] / 2)
        before = xx + yy
        # noise can turn moments negative
        xx, yy, xy = np.maximum(2 * new_xx, least), np.maximum(2 * new_yy, least), 2 * new_xy
        limit = 0.999 * np.sqrt(xx * yy)
        xy = np.clip(xy, -limit, limit)
        if np.all(np.abs(xx + yy - before) < 1e-5 * before):
            break
    return xx, yy, xy
