"""Rows from which on the picture is displaced: stars there are cut, their halves stand apart."""

from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.rows import Slip

Array = npt.NDArray[Any]
F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]

BRIGHT_SIGMA, NEXT_SIGMA, DARK_SIGMA = 10.0, 5.0, 3.0  # a star up to the cut, sky behind it
DARK_SHARE = 0.15  # of the star's height; wings of a star that is whole are higher
BESIDE = np.array([-18, -14, -10, 10, 14, 18])  # px, even: of the same colour in a mosaic
MOST_SHARE = 0.02  # of the pixels that are looked at, the brightest
GAP_PX = 2  # neighbouring columns belong to one star
SAME_SHIFT_PX = 1.5
FEWEST_PAIRS = 3  # stars whose two halves are the same distance apart; two may be chance
SMALLEST_SHIFT_PX = 2
MOST_SLIPS = 8


def find_slips(plane: Array, sky_adu: float, sigma_adu: float) -> tuple[Slip, ...]:
    """
    Find rows at which several stars are cut, their other halves all the same way off.

    Parameters
    ----------
    plane : (h, w), in ADU.
    sky_adu, sigma_adu : level and noise of its sky.

    Notes
    -----
    A star that is whole falls off over two rows and more; a hot pixel or cosmic ray has no
    second half. Fields with few stars have none on the cut: then the stars' places tell.
    """
    y, x = _bright(plane, sky_adu, sigma_adu)
    above = _cut(plane, y, x, sigma_adu, 1)
    below = _cut(plane, y, x, sigma_adu, -1)
    # The cut lies before row `at`: behind the upper halves, before the lower ones.
    upper, lower = _by_row(y[above] + 1, x[above]), _by_row(y[below], x[below])
    found = []
    for at in sorted(upper.keys() & lower.keys()):
        shift = _shift(upper[at], lower[at], plane.shape[1])
        if shift is not None:
            found.append(Slip(int(at), shift))
    return tuple(found[:MOST_SLIPS])


def _bright(plane: Array, sky_adu: float, sigma_adu: float) -> tuple[I64, I64]:
    """Find the bright pixels, the ones at the edges left out."""
    limit = sky_adu + BRIGHT_SIGMA * sigma_adu
    thin = plane[3::7, 5::11]
    if np.count_nonzero(thin > limit) > MOST_SHARE * thin.size:
        limit = float(np.nanquantile(thin, 1 - MOST_SHARE))
    y, x = np.divmod(np.flatnonzero(plane > limit), plane.shape[1])
    margin = int(BESIDE.max())
    inside = (y >= 2) & (y < plane.shape[0] - 2) & (x >= margin) & (x < plane.shape[1] - margin)
    return y[inside], x[inside]


def _cut(plane: Array, y: I64, x: I64, sigma_adu: float, towards: int) -> I64:
    """Find bright pixels with a bright one behind them and plain sky before them."""
    here = _above_sky(plane, y, x)
    chosen = np.flatnonzero(here > BRIGHT_SIGMA * sigma_adu)
    dark = np.minimum(DARK_SIGMA * sigma_adu, DARK_SHARE * here)
    for step, wanted in ((-towards, True), (towards, False), (2 * towards, False)):
        value = _above_sky(plane, y[chosen] + step, x[chosen])
        good = value > NEXT_SIGMA * sigma_adu if wanted else value < dark[chosen]
        chosen = chosen[good]
    return chosen


def _above_sky(plane: Array, y: I64, x: I64) -> F32:
    """Light of some pixels above that of others left and right of them in the same row."""
    beside = plane[y[:, None], x[:, None] + BESIDE].astype(np.float32)
    return np.asarray(plane[y, x].astype(np.float32) - np.median(beside, axis=1))


def _by_row(rows: I64, columns: I64) -> dict[int, list[float]]:
    """Join cut columns of each row to stars; gives the stars' places."""
    found: dict[int, list[list[int]]] = {}
    order = np.lexsort((columns, rows))
    for row, column in zip(rows[order].tolist(), columns[order].tolist(), strict=True):
        stars = found.setdefault(row, [])
        if stars and column - stars[-1][-1] <= GAP_PX:
            stars[-1].append(column)
        else:
            stars.append([column])
    return {row: [float(np.mean(s)) for s in stars] for row, stars in found.items()}


def _shift(upper: list[float], lower: list[float], width: int) -> int | None:
    """Find by how much most of the halves are apart; None where they do not agree."""
    if min(len(upper), len(lower)) < FEWEST_PAIRS:
        return None
    apart = (np.subtract.outer(lower, upper).ravel() + width / 2) % width - width / 2
    agree = np.count_nonzero(np.abs(apart[:, None] - apart) <= SAME_SHIFT_PX, axis=1)
    best = int(np.argmax(agree))
    shift = round(float(np.median(apart[np.abs(apart - apart[best]) <= SAME_SHIFT_PX])))
    if agree[best] < max(FEWEST_PAIRS, min(len(upper), len(lower)) / 2):
        return None
    return shift if abs(shift) >= SMALLEST_SHIFT_PX else None
