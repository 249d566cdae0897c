"""How star shapes vary over the frame: nine zones, tilt, curvature."""

import numpy as np

from runlog.core.frame import Field, Zone
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import F64
from runlog.measure.shape import (
    angle_of,
    axis_ratio_of,
    eccentricity_of,
    length_without_noise,
)

FEWEST_IN_ZONE = 4
FEWEST_FOR_PLANE = 20


def measure_field(
    x: F64, y: F64, fwhm_px: F64, e1: F64, e2: F64, weight: F64,
    seen_x: F64, seen_y: F64, width: int, height: int,
) -> Field:  # fmt: skip
    """
    Summarise fitted stars (x .. weight) and count detected ones (seen) in nine zones.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Places of fitted stars, px.
    fwhm_px : ndarray, shape (n,)
        Their full widths at half maximum.
    e1, e2 : ndarray, shape (n,)
        Their ellipticity components, no unit.
    weight : ndarray, shape (n,)
        How much each counts, no unit.
    seen_x, seen_y : ndarray, shape (m,)
        Places of all stars, px.
    width, height : int
        Of the frame, px.

    Returns
    -------
    Field
        Zones row by row from the origin; what too few stars tell is None.
    """
    fitted = zone_of(x, y, width, height)
    seen = np.bincount(zone_of(seen_x, seen_y, width, height), minlength=9)
    zones = tuple(
        measure_zone(int(seen[k]), fwhm_px[fitted == k], e1[fitted == k], e2[fitted == k],
                     weight[fitted == k])
        for k in range(9)
    )  # fmt: skip
    known = [zone.eccentricity for zone in zones if zone.eccentricity is not None]
    tilt, curvature = tilt_and_curvature(x / width - 0.5, y / height - 0.5, fwhm_px, weight)
    return Field(zones, tilt, curvature, max(known) if known else None)


def zone_of(x: F64, y: F64, width: int, height: int) -> np.ndarray:
    """Index of the ninth of the frame each position is in, row by row from the origin."""
    column = np.clip((np.asarray(x) * 3 / width).astype(int), 0, 2)
    return np.asarray(np.clip((np.asarray(y) * 3 / height).astype(int), 0, 2) * 3 + column)


def measure_zone(seen: int, fwhm_px: F64, e1: F64, e2: F64, weight: F64) -> Zone:
    """Average the fitted stars of one zone; None where they are too few."""
    if len(fwhm_px) < FEWEST_IN_ZONE:
        return Zone(seen)
    (mean1, error1), (mean2, error2) = mean_and_error(e1, weight), mean_and_error(e2, weight)
    noise = float(np.hypot(error1, error2) / np.sqrt(2))
    length = length_without_noise(float(np.hypot(mean1, mean2)), noise)
    return Zone(
        seen,
        float(np.median(fwhm_px)),
        eccentricity_of(axis_ratio_of(length, 0.0)),
        angle_of(mean1, mean2),
    )


def mean_and_error(values: F64, weight: F64) -> tuple[float, float]:
    """Weighted mean and its error from the scatter of at least two values."""
    mean = float(np.average(values, weights=weight))
    share = weight / weight.sum()
    scatter = np.sum(share**2 * (values - mean) ** 2) * len(values) / (len(values) - 1)
    return mean, float(np.sqrt(scatter))


def tilt_and_curvature(
    u: F64, v: F64, fwhm_px: F64, weight: F64
) -> tuple[float | None, float | None]:
    """
    Fit FWHM = c + a u + b v + d r^2 over the frame and express it relative to the width.

    Tilt is the span of the plane over the frame divided by the median FWHM, curvature the
    rise from centre to corner divided by the centre. u and v run from -0.5 to 0.5.
    """
    if len(u) < FEWEST_FOR_PLANE:
        return None, None
    rise = (u**2 + v**2) / 0.5  # 1 in the corners
    design = np.column_stack([np.ones_like(u), u, v, rise])
    keep = np.ones(len(u), bool)
    solution = np.zeros(4)
    for _ in range(3):
        root = np.sqrt(weight[keep])[:, None]
        solution = np.linalg.lstsq(design[keep] * root, fwhm_px[keep] * root[:, 0], rcond=None)[0]
        miss = np.abs(fwhm_px - design @ solution)
        keep = miss < 3.5 * MAD_TO_SIGMA * np.median(miss) + 1e-9
    span = abs(solution[1]) + abs(solution[2])
    centre = max(float(solution[0]), 1e-6)
    return float(span / np.median(fwhm_px)), float(solution[3] / centre)
