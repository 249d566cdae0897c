"""One luminance plane out of whatever array a camera or a program left behind."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Mask = NDArray[np.bool_]

CHUNK_PX = 400_000  # rows are worked on in pieces that stay in the processor's cache
FILES_OF_GREEN = {"RGGB": (0, 1), "BGGR": (0, 1), "GRBG": (1, 0), "GBRG": (1, 0)}


@dataclass(frozen=True, slots=True)
class Plane:
    """A frame as one plane of light: mono, mosaic, or the mean of three colour planes."""

    raw: Array  # (h, w) or (3, h, w), as handed in
    bayer: str | None = None
    offsets_adu: F32 | None = None  # (2, 2): sky of each mosaic site above green's

    @property
    def height(self) -> int:
        return int(self.raw.shape[-2])

    @property
    def width(self) -> int:
        return int(self.raw.shape[-1])

    @property
    def is_integer(self) -> bool:
        return bool(np.issubdtype(self.raw.dtype, np.integer)) and self.raw.ndim == 2

    def rows(self, start: int, stop: int) -> F32:
        """Rows start..stop as float32 ADU; not-finite values stay as they are."""
        part = self.raw[..., start:stop, :]
        if part.ndim == 3:
            return np.asarray(part.mean(axis=0, dtype=np.float32))
        rows = part.astype(np.float32)
        if self.offsets_adu is not None:
            for site_y, site_x in np.ndindex(2, 2):
                rows[(site_y - start) % 2 :: 2, site_x::2] -= self.offsets_adu[site_y, site_x]
        return rows

    def sample(self, step: int) -> F32:
        """Every step-th pixel both ways (only green ones of a mosaic) as float32 ADU."""
        if self.bayer is not None:
            step += step % 2
            column = FILES_OF_GREEN[self.bayer][1]
            return np.ascontiguousarray(self.raw[::step, column::step]).astype(np.float32)
        part = self.raw[..., ::step, ::step]
        if part.ndim == 3:
            return np.asarray(part.mean(axis=0, dtype=np.float32))
        return np.asarray(part, np.float32).copy()

    def sample_origin(self) -> int:
        """Column of the first sampled pixel."""
        return 0 if self.bayer is None else FILES_OF_GREEN[self.bayer][1]

    def chunks(self, multiple: int = 1) -> Iterator[tuple[int, int]]:
        """Row ranges that cover the frame, each about CHUNK_PX large."""
        rows = max(multiple, CHUNK_PX // max(1, self.width) // multiple * multiple)
        for start in range(0, self.height, rows):
            yield start, min(self.height, start + rows)

    def green_weights(self, y: I64, x: I64) -> F32:
        """1 where a pixel's own value is light of the measured colour, 0 elsewhere in a mosaic."""
        if self.bayer is None:
            return np.ones(np.broadcast_shapes(y.shape, x.shape), np.float32)
        row, column = FILES_OF_GREEN[self.bayer]
        return ((y + x) % 2 == (row + column) % 2).astype(np.float32)


def as_plane(pixels: Array, bayer: str | None) -> Plane | None:
    """Wrap an array of light; None when it has no two-dimensional picture in it."""
    if pixels.ndim == 3 and pixels.shape[0] == 1:
        pixels = pixels[0]
    if pixels.ndim not in (2, 3) or pixels.size == 0 or pixels.dtype.kind not in "iufb":
        return None
    if pixels.ndim == 3 and pixels.shape[0] > 4:
        return None
    pattern = bayer.strip().upper() if bayer else None
    if pattern not in FILES_OF_GREEN or pixels.ndim == 3 or min(pixels.shape) < 4:
        return Plane(pixels)
    return Plane(pixels, pattern, mosaic_offsets(pixels, pattern))


def mosaic_offsets(pixels: Array, pattern: str) -> F32:
    """Median sky of each of the four mosaic sites minus that of green, in ADU."""
    step = 2 * max(1, int(np.sqrt(pixels.size / 4 / 200_000)))
    medians = np.zeros((2, 2), np.float32)
    for site in np.ndindex(2, 2):
        values = pixels[site[0] :: step, site[1] :: step].astype(np.float32)
        finite = values[np.isfinite(values)]
        medians[site] = np.median(finite) if finite.size else 0
    green = [site for site in np.ndindex(2, 2) if pattern[2 * site[0] + site[1]] == "G"]
    return np.asarray(medians - np.mean([medians[site] for site in green]), np.float32)


def find_ceiling(plane: Plane, given_adu: float | None) -> float | None:
    """
    Return the level at which pixels are full, in ADU.

    The given one if any; else the highest value of the frame when several pixels share it
    (a pile-up no noisy signal makes). None when nothing is full.
    """
    if given_adu is not None and given_adu > 0:
        return float(given_adu)
    raw = plane.raw
    top = np.nanmax(raw) if raw.dtype.kind == "f" else raw.max()
    if not np.isfinite(top):
        return None
    piled = int(np.count_nonzero(raw == top))
    return float(top) if 5 <= piled < raw.size else None
