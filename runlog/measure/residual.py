"""The frame less its sky, and coarser copies of it."""

from dataclasses import dataclass, replace

import numpy as np

from runlog.measure.background import Sky
from runlog.measure.pixels import CHUNK_PX, F32, I64, Mask, Plane, at_least

AROUND = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]
BINOMIAL_SUM = 16  # of the 3x3 kernel's weights
POINT_ROWS = 128
POINT_SIGMA = 6.0
POINT_SHARE = 0.3  # of a pixel's light that the typical neighbour of a wide star's exceeds


@dataclass(frozen=True, slots=True)
class Residual:
    """Sky-subtracted light, in ADU, with the places that are full."""

    light: F32  # (h, w)
    full_y: I64
    full_x: I64
    ceiling_adu: float | None
    not_finite: int
    bad: Mask | None = None  # (h, w): where nothing was measured; None when all was

    def without(self, mended: Mask | None) -> "Residual":
        """The same light, with pixels that were filled from their neighbours counted as bad."""
        if mended is None:
            return self
        return replace(self, bad=mended if self.bad is None else self.bad | mended)


def subtract_sky(plane: Plane, sky: Sky, ceiling_adu: float | None) -> Residual:
    """
    Subtract the sky piece by piece; pixels that are not finite become sky.

    Parameters
    ----------
    plane : Plane
    sky : Sky
        Of the plane, ADU.
    ceiling_adu : float or None
        Level of a full pixel.

    Returns
    -------
    Residual
        Light in ADU; pixels that are not finite count as bad.
    """
    light = np.empty((plane.height, plane.width), np.float32)
    full: list[I64] = []
    bad = np.zeros(light.shape, bool) if plane.raw.dtype.kind == "f" else None
    across = sky.across(plane.width)
    for start, stop in plane.chunks():
        rows = plane.numbers(start, stop)
        part = sky.rows(start, stop, across, light[start:stop])
        np.subtract(rows, part, out=part)
        if ceiling_adu is not None:
            full.append(np.flatnonzero(at_least(rows, ceiling_adu)) + start * plane.width)
        if bad is not None:
            np.isnan(part, out=bad[start:stop])
            part[bad[start:stop]] = 0
    flat = np.concatenate(full) if full else np.zeros(0, np.int64)
    y, x = np.divmod(flat, plane.width)
    not_finite = 0 if bad is None else int(np.count_nonzero(bad))
    return Residual(light, y, x, ceiling_adu, not_finite, bad if not_finite else None)


def remove_points(light: F32, noise_adu: float) -> int:
    """
    Replace hot pixels and cosmic rays by their neighbours' median, in place; return how many.

    Only for frames whose stars are wider than three pixels: there half of a star pixel's
    neighbours hold most of its light, and a point's do not.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU; changed.
    noise_adu : float
        Noise of a pixel.

    Returns
    -------
    int
        Pixels replaced.
    """
    removed = 0
    for start in range(1, light.shape[0] - 1, POINT_ROWS):
        stop = min(light.shape[0] - 1, start + POINT_ROWS)
        bright = np.flatnonzero(light[start:stop] > np.float32(POINT_SIGMA * noise_adu))
        row, column = np.divmod(bright, light.shape[1])
        inside = (column > 0) & (column < light.shape[1] - 1)
        row, column = row[inside] + start, column[inside]
        value = light[row, column]
        around = np.stack([light[row + dy, column + dx] for dy, dx in AROUND], axis=1)
        around.partition(4, axis=1)  # the fifth brightest of eight from above, fifth from below
        middle = around[:, 4]
        point = middle < np.float32(POINT_SHARE) * value
        light[row[point], column[point]] = middle[point]
        removed += int(np.count_nonzero(point))
    return removed


def binned(light: F32, factor: int) -> F32:
    """
    Sum blocks of factor x factor pixels; the rest at the far edges is left out.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        ADU.
    factor : int
        Side of a block, px.

    Returns
    -------
    ndarray, shape (h // factor, w // factor)
        Sums, ADU; the very array that came in where the factor is 1.
    """
    if factor == 1:
        return light
    height, width = (size // factor for size in light.shape)
    summed = np.empty((height, width), np.float32)
    rows = max(1, CHUNK_PX // (factor * light.shape[1]))
    for start in range(0, height, rows):
        stop = min(height, start + rows)
        part = light[start * factor : stop * factor, : width * factor]
        lines = np.add.reduce(part.reshape(stop - start, factor, -1), axis=1)
        sums = np.add(lines[:, ::factor], lines[:, 1::factor], out=summed[start:stop])
        for column in range(2, factor):
            sums += lines[:, column::factor]
    return summed


def smoothed(rows: F32) -> F32:
    """
    Convolve with the 3x3 binomial kernel (sum 1); one row and column are lost on each side.

    Takes one picture or a stack of them. On a Bayer mosaic this weighs one red, two green and
    one blue site alike everywhere.

    Parameters
    ----------
    rows : ndarray, shape (..., h, w)
        ADU.

    Returns
    -------
    ndarray, shape (..., h - 2, w - 2)
        ADU.
    """
    soft = binomial_sums(rows)
    soft *= np.float32(1 / BINOMIAL_SUM)
    return soft


def binomial_sums(rows: F32, room: tuple[F32, F32] | None = None) -> F32:
    """
    Sixteen times what `smoothed` gives, as sums of neighbours' sums.

    Parameters
    ----------
    rows : ndarray, shape (..., h, w)
        ADU.
    room : two of ndarray, shape (n,), or None
        As large as the rows, ADU; used over and over where there are many: the sums lie in the
        second one.

    Returns
    -------
    ndarray, shape (..., h - 2, w - 2)
        ADU.
    """
    one, other = room or (None, None)
    pairs = added(rows[..., :-1, :], rows[..., 1:, :], one)
    down = added(pairs[..., :-1, :], pairs[..., 1:, :], other)
    pairs = added(down[..., :-1], down[..., 1:], one)
    return added(pairs[..., :-1], pairs[..., 1:], other)


def added(one: F32, other: F32, room: F32 | None) -> F32:
    """Sum of two arrays, laid out in the beginning of a flat one if that is given."""
    return np.add(one, other, out=None if room is None else room[: one.size].reshape(one.shape))
