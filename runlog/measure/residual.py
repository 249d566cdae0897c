"""The frame less its sky, and coarser copies of it."""

from dataclasses import dataclass

import numpy as np

from runlog.measure.background import Sky
from runlog.measure.pixels import F32, I64, Plane


@dataclass(frozen=True, slots=True)
class Residual:
    """Sky-subtracted light, in ADU, with the places that are full."""

    light: F32  # (h, w)
    full_y: I64
    full_x: I64
    ceiling_adu: float | None
    not_finite: int


def subtract_sky(plane: Plane, sky: Sky, ceiling_adu: float | None) -> Residual:
    """Subtract the sky piece by piece; pixels that are not finite become sky."""
    light = np.empty((plane.height, plane.width), np.float32)
    full: list[I64] = []
    not_finite = 0
    for start, stop in plane.chunks():
        rows = plane.rows(start, stop)
        part = light[start:stop]
        np.subtract(rows, sky.rows(start, stop, plane.width), out=part)
        if ceiling_adu is not None:
            full.append(np.flatnonzero(rows >= ceiling_adu) + start * plane.width)
        if not plane.is_integer:
            bad = ~np.isfinite(part)
            count = int(np.count_nonzero(bad))
            not_finite += count
            if count:
                part[bad] = 0
    flat = np.concatenate(full) if full else np.zeros(0, np.int64)
    y, x = np.divmod(flat, plane.width)
    return Residual(light, y, x, ceiling_adu, not_finite)


def binned(light: F32, factor: int) -> F32:
    """Sum blocks of factor x factor pixels; the rest at the far edges is left out."""
    if factor == 1:
        return light
    height, width = light.shape[0] // factor * factor, light.shape[1] // factor * factor
    summed = light[0:height:factor, :width].copy()
    for row in range(1, factor):
        summed += light[row:height:factor, :width]
    columns = summed[:, 0:width:factor].copy()
    for column in range(1, factor):
        columns += summed[:, column:width:factor]
    return columns


def smoothed(rows: F32) -> F32:
    """
    Convolve with the 3x3 binomial kernel (sum 1); one row and column are lost on each side.

    On a Bayer mosaic this weighs one red, two green and one blue site alike everywhere.
    """
    across = rows[:, :-2] + rows[:, 2:]
    across += rows[:, 1:-1]
    across += rows[:, 1:-1]
    down = across[:-2] + across[2:]
    down += across[1:-1]
    down += across[1:-1]
    down *= np.float32(1 / 16)
    return down
