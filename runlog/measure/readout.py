"""Find what stands out about whole rows and columns: jumps of level, copies, missing parts.

What is found is evidence by place. Whether it is a fault only the camera's other frames tell.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.sensor.signs import Signs, Stretch
from runlog.measure.levels import Lines, find_breaks
from runlog.measure.slips import find_displaced
from runlog.measure.spilt import not_of_stars

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

SMALLEST_SIDE_PX = 64
ROW_SAMPLES, COLUMN_SAMPLES = 512, 128  # pixels looked at in a row, in a column
LEAST_VALUES = 16  # different ones in a row that can be told from another by its noise
MOST = 64  # stretches of one kind that are kept


def find_signs(pixels: Array, *, mosaic: bool = False) -> Signs:
    """
    Find where rows or columns change their level, repeat, slip, or hold no picture.

    Parameters
    ----------
    pixels : ndarray, shape (h, w) or (planes, h, w)
        ADU; a colour frame is judged by its first plane.
    mosaic : bool
        Whether neighbouring rows see different colours.

    Returns
    -------
    Signs
        Empty for frames of under 64 px a side.
    """
    plane = pixels[0] if pixels.ndim == 3 else pixels
    if plane.ndim != 2 or min(plane.shape) < SMALLEST_SIDE_PX or plane.dtype.kind not in "iuf":
        return Signs()
    rows = np.ascontiguousarray(plane[:, :: max(1, plane.shape[1] // ROW_SAMPLES)])
    blank = _blank(rows)
    if np.count_nonzero(~blank) < SMALLEST_SIDE_PX:
        return Signs(blank=_stretches(blank))
    repeated = _repeated(plane, rows, blank)
    lines = Lines.of(rows, blank, mosaic=mosaic)
    noise_adu = lines.sigma_adu / np.sqrt(2)
    across = _columns(plane, blank)
    return Signs(
        rows=not_of_stars(plane, find_breaks(lines), noise_adu, lines.each),
        columns=find_breaks(Lines.of(across, _blank(across), mosaic=mosaic)),
        blank=_stretches(blank),
        repeated=repeated,
        slips=find_displaced(plane, noise_adu),
    )


def _columns(plane: Array, blank: Mask) -> Array:
    """Sample the columns, (columns, samples); rows that hold no picture are left out."""
    step = max(1, plane.shape[0] // COLUMN_SAMPLES) | 1  # odd: all rows of a mosaic
    some = np.ascontiguousarray(plane[::step])
    return some[~blank[::step]].T


def _blank(lines: Array) -> Mask:
    """Tell which lines hold one value only, or nothing that is a number."""
    if lines.shape[1] == 0:
        return np.zeros(len(lines), bool)
    same = np.asarray(lines.max(axis=1) == lines.min(axis=1))
    if lines.dtype.kind == "f":
        same |= ~np.isfinite(lines).any(axis=1)
    return same


def _stretches(flagged: Mask) -> tuple[Stretch, ...]:
    edges = np.flatnonzero(np.diff(flagged.astype(np.int8), prepend=0, append=0))
    pairs = edges.reshape(-1, 2)[:MOST]
    return tuple(Stretch(int(first), int(stop) - 1) for first, stop in pairs)


def _repeated(plane: Array, thin: Array, blank: Mask) -> tuple[Stretch, ...]:
    """Find rows that are, pixel by pixel, another row above them; noise makes that impossible."""
    few = np.ascontiguousarray(thin[:, ::8])  # enough to tell most rows apart
    first: dict[bytes, int] = {}
    copies: list[tuple[int, int]] = []
    for row in np.flatnonzero(~blank):
        of = first.setdefault(few[row].tobytes(), int(row))
        if of != row and _alike(plane[row], plane[of]):
            copies.append((int(row), of))
    return _joined(copies)


def _alike(row: Array, other: Array) -> bool:
    return bool(np.array_equal(row, other)) and len(np.unique(row)) >= LEAST_VALUES


def _joined(copies: list[tuple[int, int]]) -> tuple[Stretch, ...]:
    """Join copies of rows that follow each other into blocks."""
    found: list[Stretch] = []
    for row, of in copies:
        last = found[-1] if found else None
        if last is not None and last.last == row - 1:
            found[-1] = Stretch(last.first, row, last.copied_from)
        else:
            found.append(Stretch(row, row, of))
    return tuple(found[:MOST])
