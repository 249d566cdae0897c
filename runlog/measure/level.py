"""The level of dark, bias and flat frames."""

import numpy as np

from runlog.core.frame import Level
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.background import dither, step_of
from runlog.measure.pixels import F32, Array, Plane, as_plane

MOST_SAMPLES = 400_000


def measure_level(pixels: Array, *, ceiling_adu: float | None = None) -> Level:
    """
    Measure the level of a calibration frame from an even sample of its pixels.

    Parameters
    ----------
    pixels : ndarray, shape (h, w) or (planes, h, w)
        ADU, any integer or float type; values that are not finite are left out.
    ceiling_adu : float or None
        Level of a full pixel, passed through for the flat's share of it.

    Returns
    -------
    Level
        ADU; NaN in every number when there is nothing finite to measure.
    """
    plane = as_plane(pixels, None)
    nothing = float("nan")
    if plane is None:
        return Level(nothing, nothing, nothing, nothing, ceiling_adu)
    sample = even_sample(plane)
    finite = sample[np.isfinite(sample)]
    if finite.size == 0:
        return Level(nothing, nothing, nothing, nothing, ceiling_adu)
    low, middle, high = (float(value) for value in np.percentile(finite, [1, 50, 99]))
    return Level(middle, pixel_noise(plane), low, high, ceiling_adu, ninth_span(sample))


def even_sample(plane: Plane) -> F32:
    """Pixels on a regular grid over the whole frame, an odd step apart: all mosaic sites."""
    step = max(1, int(np.sqrt(plane.height * plane.width / MOST_SAMPLES))) | 1
    return plane.sample(step)


def pixel_noise(plane: Plane) -> float:
    """
    Robust pixel-to-pixel noise: MAD of differences between pixels two columns apart.

    Two columns, so that a mosaic compares like with like; a slope of the light cancels.
    """
    rows = plane.rows(0, plane.height) if plane.height < 64 else None
    if rows is None:
        starts = np.unique(np.linspace(0, plane.height - 8, 32).astype(int))
        rows = np.concatenate([plane.rows(int(start), int(start) + 8) for start in starts])
    if rows.shape[1] < 3:
        return 0.0
    apart = (rows[:, 2:] - rows[:, :-2]).ravel()
    apart = apart[np.isfinite(apart)]
    if apart.size == 0 or not apart.any():
        return 0.0
    grain = step_of(apart) if plane.is_integer else 0
    apart = apart + grain * dither(apart.shape)
    correction = grain**2 / 12
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(apart - np.median(apart))))
    return float(np.sqrt(max(0.0, (sigma**2 - correction) / 2)))


def ninth_span(sample: F32) -> float | None:
    """Median of the brightest ninth minus that of the faintest; None on tiny frames."""
    if min(sample.shape) < 3:
        return None
    medians = [
        np.nanmedian(part)
        for band in np.array_split(sample, 3, axis=0)
        for part in np.array_split(band, 3, axis=1)
        if np.isfinite(part).any()
    ]
    return float(max(medians) - min(medians))
