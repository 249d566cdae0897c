"""How a single star's light falls off and adds up, by photutils; only for those who ask."""

from dataclasses import dataclass

import numpy as np

from runlog.measure.pixels import F64, Array

STEP_PX = 0.5  # between rings
SKY_PX = 8.0  # width of the ring of sky: near, for stars stand on nebulae


@dataclass(frozen=True, slots=True)
class StarProfile:
    """A star's light by distance from its middle; n rings and circles."""

    ring_px: F64  # (n,) middle of each ring
    light: F64  # (n,) mean light of each ring over the brightest
    circle_px: F64  # (n,) radius of each circle
    share: F64  # (n,) light of each circle over that of the largest

    @property
    def fwhm_px(self) -> float | None:
        """Twice the distance at which the light has fallen to half; None where it never does."""
        below = np.flatnonzero(self.light < 0.5)
        if not len(below) or below[0] == 0:
            return None
        k = int(below[0])
        (near, far), (high, low) = self.ring_px[k - 1 : k + 1], self.light[k - 1 : k + 1]
        return float(2 * (near + (far - near) * (high - 0.5) / (high - low)))

    @property
    def half_flux_px(self) -> float:
        """Radius of the circle that holds half of the light within the largest."""
        at = int(np.flatnonzero(self.share >= 0.5)[0])
        radius, share = (
            np.concatenate([[0.0], of])[at : at + 2] for of in (self.circle_px, self.share)
        )
        return float(np.interp(0.5, share, radius))


def star_profile(cut: Array, x: float, y: float, reach_px: float) -> StarProfile | None:
    """
    Measure a star's radial profile and curve of growth.

    Rings and circles count the pixels on their rims by area, which blurs narrow stars a little:
    widths come out some percent above the frame's own.

    Parameters
    ----------
    cut : ndarray, shape (h, w)
        The star and what is around it, ADU; the median of the 8 px beyond the reach is its sky.
    x, y : float
        Middle of the star in pixels of the cut.
    reach_px : float
        Radius of the largest circle.

    Returns
    -------
    StarProfile or None
        None where the circle holds no light above the sky.

    References
    ----------
    photutils `RadialProfile` and `CurveOfGrowth` (Bradley et al.).
    """
    from photutils.profiles import CurveOfGrowth, RadialProfile

    light = np.asarray(cut, np.float64)
    rows, columns = np.indices(light.shape)
    away = np.hypot(rows - y, columns - x)
    beyond = light[(away > reach_px) & (away <= reach_px + SKY_PX)]
    light = light - np.median(beyond[np.isfinite(beyond)]) if np.isfinite(beyond).any() else light
    light = np.where(np.isfinite(light), light, 0)
    edges = np.arange(0, reach_px + STEP_PX / 2, STEP_PX)
    rings = RadialProfile(light, (x, y), edges)
    circles = CurveOfGrowth(light, (x, y), edges[1:])
    top, whole = float(np.max(rings.profile)), float(circles.profile[-1])
    if top <= 0 or whole <= 0:
        return None
    return StarProfile(rings.radius, rings.profile / top, circles.radius, circles.profile / whole)
