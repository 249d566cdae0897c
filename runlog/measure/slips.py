"""Rows read out sideways: the camera's own column structure stands elsewhere in them."""

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.medians import median_of_rows
from runlog.core.sensor.signs import Slip

Array = npt.NDArray[Any]
F32 = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

SAMPLED_ROWS, IN_BLOCK = 128, 8
MOST_SIGMA = 10.0  # of one column's step; a single hot column must not decide alone
CLEAR_SIGMA = 3.0  # fainter steps are left out: they are noise
CLEAR = 8.0  # sigma of the correlation with the structure of the other rows
AGREE, AGREE_ONE = 0.3, 0.7  # of the structure must be found; where it is all in one place
DIFFER = 0.35  # of what is found elsewhere may also be found in place
ONE_COLUMN_PX, MOST_OF_ONE = 9, 0.9  # of what is found may be from one place
CLEAR_SHARE = 0.6  # of the blocks: a galaxy's structure does not run through the frame
SMALLEST_SHIFT_PX = 2  # steps beside each other correlate at 1 px
FEWEST_BLOCKS = 4
ALIKE = 0.5  # of the likeness of the two that are most alike
LEAST_ALIKE = 0.4  # of the blocks
MOST_SLIPS = 8
# Columns that a star over the brim fills run through many rows and are none of the camera's: left
# out is what comes within this share of the brightest pixels, over the sky, a few wild ones aside.
FULL, WILD_PIXELS = 0.97, 20


def find_displaced(plane: Array, sigma_adu: float) -> tuple[Slip, ...]:
    """
    Find where rows begin, or cease, to be displaced sideways.

    Hot columns, dark edges, overscan and seams run through all rows of a camera's frame. In
    blocks of sampled rows their steps are correlated with those of all blocks (the median); a
    block whose structure is found at another place only is displaced.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        ADU.
    sigma_adu : float
        Noise of one pixel.

    Returns
    -------
    tuple of Slip
        By row; empty where the frame has no structure of its own to tell it by.
    """
    step = max(1, plane.shape[0] // SAMPLED_ROWS) | 1
    rows = np.ascontiguousarray(plane[::step], np.float32)
    count = len(rows) // IN_BLOCK
    if count < FEWEST_BLOCKS or sigma_adu <= 0:
        return ()
    full_adu = _full_adu(rows)
    apart = _steps_across(rows[: count * IN_BLOCK], sigma_adu, full_adu)
    blocks = median_of_rows(apart.reshape(count, IN_BLOCK, -1).transpose(0, 2, 1))
    alike = blocks[_alike(blocks)]
    if len(alike) < max(FEWEST_BLOCKS, LEAST_ALIKE * count):
        return ()  # what these few blocks share is a star or a galaxy
    usual = np.median(alike, axis=0)
    noise = np.sqrt(np.pi / 2 * 2 / IN_BLOCK)  # of the median of so many differences
    usual[np.abs(usual) < CLEAR_SIGMA * noise / np.sqrt(max(1, len(alike) / 2))] = 0
    strength = float(usual @ usual)
    if np.sqrt(strength) < CLEAR * noise:
        return ()
    shifts = [_displaced_by(block, usual, strength, noise) for block in blocks]
    return _edges(plane, (sigma_adu, full_adu), shifts, usual, step * IN_BLOCK)


def _full_adu(rows: F32) -> float:
    """Give the level from which pixels count as full."""
    values = rows[np.isfinite(rows)]
    if values.size <= WILD_PIXELS:
        return float("inf")
    values.sort()  # faster than a partition for two places
    middle, top = float(values[values.size // 2]), float(values[-WILD_PIXELS])
    return middle + FULL * (top - middle)


def _alike(blocks: F32) -> Mask:
    """Choose the largest set of blocks with one structure: half of the frame may be displaced."""
    products = blocks @ blocks.T
    length = np.sqrt(np.maximum(np.diag(products), 1e-9))
    similar = products / np.outer(length, length)
    middle = int(np.argmax(np.clip(similar, 0, 1).sum(axis=0)))
    chosen = similar[middle] >= ALIKE * np.partition(similar[middle], -2)[-2]
    return np.asarray(chosen)


def _steps_across(rows: F32, sigma_adu: float, full_adu: float) -> F32:
    rows = np.where(rows < full_adu, rows, np.float32(np.nan))
    apart = np.diff(rows, axis=1, append=rows[:, :1]) / np.float32(sigma_adu)
    apart[~np.isfinite(apart)] = 0
    return np.clip(apart, -MOST_SIGMA, MOST_SIGMA, out=apart)


def _displaced_by(block: F32, usual: F32, strength: float, noise: float) -> int | None:
    """Find by how much a block's structure is displaced; None where that is not clear."""
    there = np.fft.irfft(np.fft.rfft(block) * np.conj(np.fft.rfft(usual)), len(block)) / strength
    least = max(AGREE, CLEAR * noise / np.sqrt(strength))
    best = int(np.argmax(there))
    shift = best if best < len(block) / 2 else best - len(block)
    if abs(shift) < SMALLEST_SHIFT_PX and there[0] >= least:
        return 0
    clear = there[best] >= least and there[0] <= DIFFER * there[best]
    # One column may lie where another one is expected.
    one = not _many_columns(block * np.roll(usual, best))
    return shift if clear and not (one and there[best] < AGREE_ONE) else None


def _many_columns(shared: F32) -> bool:
    """Tell a displaced picture from one column that lies where another one is expected."""
    near = np.convolve(shared, np.ones(ONE_COLUMN_PX), mode="same")
    return bool(near.max() <= MOST_OF_ONE * shared.sum())


def _edges(
    plane: Array,
    levels_adu: tuple[float, float],
    shifts: list[int | None],
    usual: F32,
    block_px: int,
) -> tuple[Slip, ...]:
    """Find the rows where one displacement gives way to another, between blocks that are clear."""
    clear = [(i, shift) for i, shift in enumerate(shifts) if shift is not None]
    if len(clear) < CLEAR_SHARE * len(shifts):
        return ()
    found = []
    for (i, before), (j, behind) in pairwise(clear):
        if before != behind:
            first = i * block_px
            rows = np.asarray(plane[first : (j + 1) * block_px], np.float32)
            apart = _steps_across(rows, *levels_adu)
            found.append(Slip(first + _change(apart, usual, before, behind), behind - before))
    return tuple(found[:MOST_SLIPS])


def _change(apart: F32, usual: F32, before: int, behind: int) -> int:
    """Find the row at which one place of the structure gives way to another."""
    gain = apart @ (np.roll(usual, before) - np.roll(usual, behind))
    return int(np.argmax(np.concatenate([[0.0], np.cumsum(gain)])))
