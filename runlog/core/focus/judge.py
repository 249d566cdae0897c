"""What one sweep says: where the focus is and how sure that is, or why it says nothing."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runlog.core.focus.hyperbola import Hyperbola, fit_hyperbola
from runlog.core.focus.sweep import FEWEST_POSITIONS, Sweep
from runlog.core.student import student_t95

Floats = npt.NDArray[np.float64]

FLOOR = 0.03  # of a width: what a sweep's frames scatter by even where stars are many
WIDER = 0.05  # of the width: what the useful zone allows, a tenth of the depth
SIDE = 2  # positions on each side of the minimum, at least
KNOWN = 0.25  # of the swept range: a minimum less sure than that is not found
ARMS_PARAMETERS = 4
ARMS_SIGMA = 2.0  # times Student's t, 95 %
PLACES = 201
ARMS = 1.4  # one arm steeper than the other by so much: backlash, or a focuser that slips
CLOUD = 0.6  # of the stars on the other arm where stars are as wide
CLOUD_SIGMA = 4.0
SCATTER = 0.2  # of a width: about no hyperbola widths scatter by so much
DEEP = 1.15  # the widest over the least: less is no V


@dataclass(frozen=True, slots=True)
class Result:
    """A sweep and its fit; `reason` says why there is none that can be used.

    The minimum is that of the half-flux radius, which stays true of rings; the zone in which stars
    are as good as in focus is reckoned in FWHM, which depth goes by.
    """

    sweep: Sweep
    fit: Hyperbola | None = None  # of the half-flux radius
    widths: Hyperbola | None = None  # of the FWHM
    reason: str | None = None

    @property
    def good(self) -> bool:
        """Tell whether it says where the focus is."""
        return self.reason is None

    @property
    def half_range(self) -> float | None:
        """Steps to each side within which stars are at most a twentieth wider."""
        return self.widths.zone(WIDER) if self.good and self.widths else None


def judge(sweep: Sweep) -> Result:
    """Fit a sweep, or say why it tells no focus."""
    if sweep.positions < FEWEST_POSITIONS:
        return Result(sweep, reason=_too_few(sweep))
    x, fwhm, hfr, relative, stars = columns(sweep)
    fit, widths = _fitted(x, hfr, relative), _fitted(x, fwhm, relative)
    return Result(sweep, fit, widths, _refused(sweep, fit, x, hfr, relative, stars))


def columns(sweep: Sweep) -> tuple[Floats, ...]:
    """Positions, FWHM, half-flux radius, relative error, stars of those used, (n,) each."""
    used = sweep.used
    return (
        np.array([p.position for p in used]),
        np.array([p.fwhm_px for p in used], dtype=float),
        np.array([p.hfr_px for p in used], dtype=float),
        np.array([max(p.err, FLOOR) for p in used]),
        np.array([p.stars or 0 for p in used], dtype=float),
    )


def _too_few(sweep: Sweep) -> str:
    taken = len({p.position for p in sweep.points})
    if taken < FEWEST_POSITIONS:
        return f"only {taken} positions were taken: it takes {FEWEST_POSITIONS}"
    return (
        f"only {sweep.positions} of {taken} positions show stars enough for a width: it takes "
        f"{FEWEST_POSITIONS}"
    )


def _fitted(x: Floats, y: Floats, relative: Floats) -> Hyperbola | None:
    """Fit twice: the second time by errors in proportion to the fit, not to what was drawn low."""
    first = fit_hyperbola(x, y, relative * y)
    return None if first is None else fit_hyperbola(x, y, relative * first.at(x)) or first


def _refused(
    sweep: Sweep, fit: Hyperbola | None, x: Floats, y: Floats, relative: Floats, stars: Floats
) -> str | None:
    low, high = float(x.min()), float(x.max())
    lean = float(np.polyfit(x - x.mean(), y, 1)[0])
    if fit is None or not low <= fit.best <= high:
        return _beyond(lean, low, high, y)
    if y.max() < DEEP * y.min():
        return "stars are as wide at one end as in the middle: the sweep is too short to tell"
    below, above = np.unique(x[x < fit.best]).size, np.unique(x[x > fit.best]).size
    if min(below, above) < SIDE:
        side, count = ("below", below) if below < above else ("above", above)
        return (
            f"only {count} measured position{'s' * (count != 1)} {side} the minimum, it takes "
            f"{SIDE}"
        )
    return (
        _clouded(fit, x, y, stars)
        or _scattered(fit, x, y)
        or _uneven(x, y, relative)
        or _vague(fit, high - low)
    )


def _beyond(lean: float, low: float, high: float, y: Floats) -> str:
    if y.max() < DEEP * y.min():
        return "stars are as wide at one end as at the other: no minimum is seen"
    if lean < 0:
        return f"no minimum: the best position lies beyond {high:,.0f}"
    return f"no minimum: the best position lies below {low:,.0f}"


def _vague(fit: Hyperbola, span: float) -> str | None:
    if fit.best_95 <= KNOWN * span:
        return None
    return f"the best position is only known within {fit.best_95:.0f} steps of {span:.0f} swept"


def _scattered(fit: Hyperbola, x: Floats, y: Floats) -> str | None:
    off = y / fit.at(x) - 1
    share = float(np.sqrt((off**2).sum() / fit.freedom))
    return f"widths scatter by {share:.0%} about any V" if share > SCATTER else None


def _clouded(fit: Hyperbola, x: Floats, y: Floats, stars: Floats) -> str | None:
    """Compare the arms' stars where these are as wide: defocus alone hides as many on both."""
    left, right = x < fit.best, x >= fit.best
    seen = stars[right]
    order = np.argsort(y[left])
    expected = np.interp(y[right], y[left][order], stars[left][order])
    inside = (y[right] >= y[left].min() / DEEP) & (y[right] <= y[left].max() * DEEP)
    here, there = float(seen[inside].sum()), float(expected[inside].sum())
    few, many = sorted((here, there))
    if few >= CLOUD * many or many - few < CLOUD_SIGMA * float(np.sqrt(many + few)):
        return None
    return f"one arm shows {few / many:.0%} of the other's stars: cloud came or went"


def _uneven(x: Floats, y: Floats, relative: Floats) -> str | None:
    """Ask whether a slope for each arm follows the widths much better than one for both (F test).

    For a minimum that is given y^2 is linear in the squares of least width and slopes.
    """
    freedom = len(x) - ARMS_PARAMETERS
    if freedom < 1:
        return None
    even = float(_arms(x, y, relative, even=True)[0].min())
    each, slopes = _arms(x, y, relative, even=False)
    chi2, (below, above) = float(each.min()), slopes[int(each.argmin())]
    better = (even - chi2) * freedom > (ARMS_SIGMA * student_t95(freedom)) ** 2 * chi2
    if not better or max(below, above) <= ARMS * min(below, above):
        return None
    return (
        f"the arms differ: {below:.4f} px a step below the minimum, {above:.4f} above. Backlash or "
        "a focuser that slips does that"
    )


def _arms(x: Floats, y: Floats, relative: Floats, *, even: bool) -> tuple[Floats, Floats]:
    """Fit least width and arms for many minima: chi2 (m,), slopes below and above (m, 1 or 2)."""
    off = x - np.linspace(float(x.min()), float(x.max()), PLACES)[:, None]
    below, above = np.minimum(off, 0.0) ** 2, np.maximum(off, 0.0) ** 2
    arms = [below + above] if even else [below, above]
    weights = 1 / (2 * relative * y**2)
    columns = np.stack([np.ones_like(off), *arms], axis=-1) * weights[:, None]
    wanted = y**2 * weights
    found = np.linalg.pinv(columns) @ wanted
    missed = np.einsum("mnk,mk->mn", columns, found) - wanted
    return (missed**2).sum(axis=1), np.sqrt(np.maximum(found[:, 1:], 0.0))
