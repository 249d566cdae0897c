"""How wide is a star on this frame, roughly: the scale at which to look for stars."""

from dataclasses import dataclass

import numpy as np

from runlog.core.medians import median_of_stack
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import binned
from runlog.measure.stars import Peaks, find_peaks, stamps

LOOKS = ((4, 16), (8, 32), (16, 64))  # block size and stamp radius in px, fine to coarse
FIRST_LOOK_SIGMA = 8.0
MOST_STARS = 80
FEWEST_STARS = 4
POINT_SHARE = 0.62  # of the light of 3x3 px in one: more than any star 1.3 px wide can have
CORE_PX, HALO_PX = 2, 6  # half sides of the squares whose light says how dense a thing is
FAR_DENSER = 1.6
SMALL_SHARE, FEWEST_SMALL = 0.3, 12  # fewer may be cosmic rays
PAIR_SHARE = 0.78  # of the light of 5x5 px in the brightest two


# Across a straight track of single pixels it stays under 0.12 px^2; stars 1.5 px wide and
# twice as long as wide keep above 0.18 (drawn with GalSim at all phases).
TRACK_VARIANCE_PX2 = 0.15


@dataclass(frozen=True, slots=True)
class Scale:
    """Rough star size from the median picture of bright stars."""

    hfr_px: float
    stars: int

    @property
    def width_px(self) -> float:
        """Full width of a star of this half-flux radius, within a fifth."""
        return 1.8 * self.hfr_px


def find_scale(light: F32, ceiling_adu: float | None) -> Scale | None:
    """
    Look at ever coarser scales until a handful of stars fits into the stamps.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    ceiling_adu : float or None
        Level above the sky at which a pixel is full.

    Returns
    -------
    Scale or None
        Rough radius in px, within a fifth; None where no peak is wider than a point.
    """
    best, previous_radius = None, 0
    coarse, done = light, 1
    for factor, radius in LOOKS:
        coarse, done = binned(coarse, factor // done), factor
        if min(coarse.shape) < 12:
            break
        seen = look(light, coarse, factor, radius, ceiling_adu)
        if seen is None:
            continue
        if best is None or better(seen, best, previous_radius):
            best = seen
        if best.stars >= FEWEST_STARS and best.hfr_px < radius / 4:
            break
        previous_radius = radius
    return best


def better(coarser: Scale, finer: Scale, finer_radius: int) -> bool:
    """Whether a coarser look saw what a finer one could not: more stars, or larger ones."""
    overflowed = finer.hfr_px >= finer_radius / 4
    return overflowed or (finer.stars < FEWEST_STARS <= coarser.stars)


def look(
    light: F32, coarse: F32, factor: int, radius: int, ceiling_adu: float | None
) -> Scale | None:
    """Measure the median picture of the brightest star-like peaks of a coarse copy."""
    peaks = find_peaks(coarse, FIRST_LOOK_SIGMA)
    if len(peaks) == 0:
        return None
    y, x = refine(light, peaks, factor)
    inside = within(light, y, x, radius)
    y, x = y[inside][:1500], x[inside][:1500]
    real = ~looks_like_point(stamps(light, y, x, 2))
    y, x = y[real][: 4 * MOST_STARS], x[real][: 4 * MOST_STARS]
    if ceiling_adu is not None and len(y):
        below = stamps(light, y, x, 1).max(axis=(1, 2)) < 0.8 * ceiling_adu
        if np.count_nonzero(below) >= FEWEST_STARS:
            y, x = y[below], x[below]
    y, x = y[:MOST_STARS], x[:MOST_STARS]
    if len(y) == 0:
        return None
    cut = stamps(light, y, x, radius)
    cut = cut[small_ones(cut)]
    radius_px = half_flux_radius(median_picture(cut))
    return Scale(radius_px, len(cut)) if radius_px > 0 else None  # all of it is in one pixel


def small_ones(cut: F32) -> Mask:
    """
    Which stamps hold what is small, where a good part of them is far smaller than the rest.

    On coarse blocks a frame's brightest things may be galaxies; stars are its smallest common
    ones. Where all are of one kind, all are taken.
    """
    middle = cut.shape[1] // 2

    def within(reach: int) -> F64:
        part = cut[:, middle - reach : middle + reach + 1, middle - reach : middle + reach + 1]
        return np.asarray(part.sum(axis=(1, 2)), np.float64)

    dense = within(CORE_PX) / np.maximum(within(HALO_PX), 1e-30)
    small = dense > FAR_DENSER * np.median(dense)
    if np.count_nonzero(small) < max(FEWEST_SMALL, SMALL_SHARE * len(cut)):
        return np.ones(len(cut), bool)
    return np.asarray(small)


def refine(light: F32, peaks: Peaks, factor: int) -> tuple[I64, I64]:
    """Brightest spot of the full-size frame in and around each coarse peak."""
    y, x = peaks.y * factor + factor // 2, peaks.x * factor + factor // 2
    cut = stamps(light, y, x, factor + 1)
    soft = cut[:, :-2] + cut[:, 1:-1] + cut[:, 2:]
    soft = soft[:, :, :-2] + soft[:, :, 1:-1] + soft[:, :, 2:]
    at = soft.reshape(len(y), -1).argmax(axis=1)
    dy, dx = np.divmod(at, soft.shape[2])
    return y + dy - factor, x + dx - factor


def within(light: F32, y: I64, x: I64, margin: int) -> Mask:
    """Which positions keep a margin from the edges."""
    return np.asarray(
        (y >= margin) & (y < light.shape[0] - margin)
        & (x >= margin) & (x < light.shape[1] - margin)
    )  # fmt: skip


def looks_like_point(cut: F32) -> Mask:
    """
    Which 5x5 stamps hold a hot pixel or a cosmic ray: more concentrated than any star.

    Parameters
    ----------
    cut : ndarray, shape (n, 5, 5)
        Sky-subtracted stamps about the highest pixel, ADU.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    inner = cut[:, 1:4, 1:4].reshape(len(cut), 9)
    ranked = np.sort(inner, axis=1)
    small, large = inner.sum(axis=1), cut.sum(axis=(1, 2))
    point = ranked[:, -1] > POINT_SHARE * small
    pair = ranked[:, -1] + ranked[:, -2] > PAIR_SHARE * np.maximum(large, small)
    return np.asarray(point | pair | (smallest_variance(cut) < TRACK_VARIANCE_PX2))


def smallest_variance(cut: F32) -> F64:
    """Variance across the narrowest direction of 5x5 stamps, light under a tenth left out."""
    light = cut.reshape(len(cut), cut.shape[1] * cut.shape[2]).astype(float)
    light = np.maximum(light - 0.1 * light.max(axis=1, keepdims=True), 0)
    axis = np.arange(cut.shape[1]) - cut.shape[1] // 2
    y, x = (part.ravel() for part in np.meshgrid(axis, axis, indexing="ij"))
    sums = light @ np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=1).astype(float)
    mx, my, xx, yy, xy = (sums[:, 1:] / np.maximum(sums[:, :1], 1e-30)).T
    xx, yy, xy = xx - mx**2, yy - my**2, xy - mx * my
    return np.asarray((xx + yy) / 2 - np.hypot((xx - yy) / 2, xy))


def median_picture(cut: F32) -> F64:
    """
    Median over stars of stamps scaled to the same central light; neighbours drop out.

    Parameters
    ----------
    cut : ndarray, shape (n, k, k)
        Sky-subtracted stamps about the stars' middles, ADU.

    Returns
    -------
    ndarray, shape (k, k)
        Over the central light, no unit; its border's median is taken for sky.
    """
    middle = cut.shape[1] // 2
    reach = max(1, middle // 4)
    near = slice(middle - reach, middle + reach + 1)
    central = np.maximum(cut[:, near, near].sum(axis=(1, 2)), 1e-30)
    picture = median_of_stack(cut / central[:, None, None]).astype(float)
    border = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    return np.asarray(picture - np.median(border))


def half_flux_radius(picture: F64) -> float:
    """Radius about the light's centre that holds half of a picture's light."""
    size = picture.shape[0]
    axis = np.arange(size) - size // 2
    positive = np.maximum(picture, 0.02 * picture.max()) - 0.02 * picture.max()
    total = positive.sum()
    if total <= 0:
        return 0.5
    cy, cx = (positive.sum(axis=1) @ axis) / total, (positive.sum(axis=0) @ axis) / total
    radius = np.hypot(axis[:, None] - cy, axis[None, :] - cx).ravel()
    order = np.argsort(radius)
    grown = np.cumsum(positive.ravel()[order])
    return float(np.interp(grown[-1] / 2, grown, radius[order]))
