"""A hyperbola through widths at focuser positions: where the minimum is, and how sure that is.

y = sqrt(a^2 + b^2 (x - c)^2): the light cone is as wide as its distance from the focus (b), seeing
and optics add in quadrature (a). In y^2 it is a parabola, solved at once; the answer is then made
better on y itself by Gauss and Newton's steps, damped (Levenberg 1944).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runlog.core.student import student_t95

Floats = npt.NDArray[np.float64]

PARAMETERS = 3
_ROUNDS = 60
_ENOUGH = 1e-12


@dataclass(frozen=True, slots=True)
class Hyperbola:
    """A fit: minimum `best` (steps), width there `least` (px), arms `slope` (px a step)."""

    best: float
    least: float
    slope: float
    best_err: float  # standard error, scaled by the scatter
    chi2_nu: float
    freedom: int

    @property
    def best_95(self) -> float:
        """Half of the 95 % interval of the minimum, by Student's t."""
        return student_t95(self.freedom) * self.best_err

    def at(self, positions: Floats) -> Floats:
        """Give the width (n,) at positions (n,)."""
        return np.hypot(self.least, self.slope * (positions - self.best))

    def zone(self, wider: float) -> float:
        """Give how far from the minimum stars are wider by a share: steps, to each side."""
        return self.least / self.slope * float(np.sqrt((1 + wider) ** 2 - 1))


def fit_hyperbola(positions: Floats, widths: Floats, errors: Floats) -> Hyperbola | None:
    """Fit a hyperbola that opens upward; None where widths do not bend so.

    Parameters
    ----------
    positions, widths, errors : (n,) arrays
        Focuser steps; widths in px and their standard errors, whose ratios alone matter: the
        errors that are given are scaled by the scatter about the fit, whichever way.

    Returns
    -------
    Hyperbola or None
        None for fewer than four measurements, for widths that bend down or are least at no
        finite place. The stated error times Student's t covers the truth as often as it says
        where the errors are normal (checked by simulation).
    """
    if len(positions) <= PARAMETERS:
        return None
    middle, unit = float(positions.mean()), float(np.ptp(positions)) / 2
    if unit <= 0:
        return None
    x = (positions - middle) / unit
    start = _by_parabola(x, widths, errors)
    found = None if start is None else _refined(start, x, widths, errors)
    if found is None:
        return None
    (best, least, slope), chi2 = found
    freedom = len(x) - PARAMETERS
    covariance = _covariance(np.array([best, least, slope]), x, errors)
    if covariance is None:
        return None
    scale = float(np.sqrt(chi2 / freedom))
    error = float(np.sqrt(covariance[0, 0])) * scale * unit
    return Hyperbola(
        middle + best * unit, abs(least), abs(slope) / unit, error, chi2 / freedom, freedom
    )


def _by_parabola(x: Floats, y: Floats, errors: Floats) -> Floats | None:
    """Solve y^2 = A x^2 + B x + C by weighted least squares."""
    weights = 1 / (2 * y * errors)
    a, b, c = np.linalg.lstsq(np.vander(x, 3) * weights[:, None], y**2 * weights, rcond=None)[0]
    if a <= 0:
        return None
    floor = (0.1 * float(y.min())) ** 2  # noise may put the vertex of y^2 below nothing
    return np.array([-b / (2 * a), np.sqrt(max(c - b * b / (4 * a), floor)), np.sqrt(a)])


def _refined(
    start: Floats, x: Floats, y: Floats, errors: Floats
) -> tuple[tuple[float, float, float], float] | None:
    here, damping = start, 1e-3
    chi2 = _chi2(here, x, y, errors)
    for _ in range(_ROUNDS):
        slopes = _slopes(here, x) / errors[:, None]
        normal = slopes.T @ slopes
        downhill = slopes.T @ ((y - _width(here, x)) / errors)
        step = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal)), downhill, rcond=None)[0]
        tried = _chi2(here + step, x, y, errors)
        if tried <= chi2:
            done = chi2 - tried <= _ENOUGH * max(chi2, _ENOUGH) and damping < 1e-2
            here, chi2, damping = here + step, tried, damping / 10
            if done:
                break
        else:
            damping *= 10
    if not np.isfinite(here).all() or here[2] == 0 or here[1] == 0:
        return None
    best, least, slope = map(float, here)
    return (best, least, slope), chi2


def _width(values: Floats, x: Floats) -> Floats:
    best, least, slope = values
    return np.asarray(np.hypot(least, slope * (x - best)))


def _slopes(values: Floats, x: Floats) -> Floats:
    """Give the width's derivatives by minimum, least width and slope, (n, 3)."""
    best, least, slope = values
    y = np.maximum(_width(values, x), 1e-300)
    return (
        np.stack([-(slope**2) * (x - best), np.full_like(x, least), slope * (x - best) ** 2]).T
        / (y[:, None])
    )


def _chi2(values: Floats, x: Floats, y: Floats, errors: Floats) -> float:
    return float((((y - _width(values, x)) / errors) ** 2).sum())


def _covariance(values: Floats, x: Floats, errors: Floats) -> Floats | None:
    slopes = _slopes(values, x) / errors[:, None]
    try:
        return np.asarray(np.linalg.inv(slopes.T @ slopes), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
