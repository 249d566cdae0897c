"""One luminance plane out of whatever array a camera or a program left behind."""

import math
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

FEWEST_PILED = 5
CHUNK_PX = 100_000  # rows are worked on in pieces that stay in the processor's cache
# Squares of what is larger, added over a frame, leave the range of float32; no detector counts so
# far. Damaged files and masks hold such numbers.
MOST_LIGHT_ADU = 1e15
LARGEST_COMPARED = 2**53  # beyond, a float names no whole number of its own
FILES_OF_GREEN = {"RGGB": (0, 1), "BGGR": (0, 1), "GRBG": (1, 0), "GBRG": (1, 0)}


@dataclass(frozen=True, slots=True)
class Plane:
    """A frame as one plane of light: mono, mosaic, or the mean of three colour planes."""

    raw: Array  # (h, w) or (3, h, w), as handed in
    bayer: str | None = None
    offsets_adu: F32 | None = None  # (2, 2): sky of each mosaic site above green's
    is_integer: bool = False  # single plane of whole numbers, however they are stored

    @property
    def height(self) -> int:
        return int(self.raw.shape[-2])

    @property
    def width(self) -> int:
        return int(self.raw.shape[-1])

    def rows(self, start: int, stop: int) -> F32:
        """Rows start..stop as float32 ADU; what cannot be light is NaN."""
        rows = as_light(self.raw[..., start:stop, :])
        if self.offsets_adu is not None:
            for site_y, site_x in np.ndindex(2, 2):
                rows[(site_y - start) % 2 :: 2, site_x::2] -= self.offsets_adu[site_y, site_x]
        return rows

    def numbers(self, start: int, stop: int) -> Array:
        """Rows start..stop as `rows` gives them; as they are stored where those are the same."""
        if self.raw.ndim == 2 and self.raw.dtype.kind in "iu" and self.offsets_adu is None:
            return self.raw[start:stop]
        return self.rows(start, stop)

    def sample(self, step: int) -> F32:
        """Every step-th pixel both ways (only green ones of a mosaic) as float32 ADU."""
        if self.bayer is not None:
            step += step % 2
            return as_light(self.raw[::step, FILES_OF_GREEN[self.bayer][1] :: step])
        return as_light(self.raw[..., ::step, ::step])

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
        return np.asarray((y + x) % 2 == (row + column) % 2, np.float32)


def as_light(part: Array) -> F32:
    """Float32 copy of a piece of raw pixels, colour planes averaged; NaN for what is no light."""
    with np.errstate(over="ignore", invalid="ignore"):
        light = part.mean(axis=0, dtype=np.float32) if part.ndim == 3 else part.astype(np.float32)
    if part.dtype.kind == "f":
        told = np.abs(light) <= MOST_LIGHT_ADU
        if not told.all():
            light[~told] = np.nan
    return np.asarray(light, np.float32)


def at_least(numbers: Array, level: float) -> Mask:
    """
    Which numbers reach a level; whole ones are compared as such, which is four times faster.

    Parameters
    ----------
    numbers : ndarray, any shape
        Of any type and unit.
    level : float
        In the same unit.

    Returns
    -------
    ndarray of bool, the same shape
    """
    whole = numbers.dtype.kind in "iu" and abs(level) < LARGEST_COMPARED
    return np.asarray(numbers >= (math.ceil(level) if whole else level))


def whole_numbers(pixels: Array) -> bool:
    """Whether a single plane holds whole numbers: integers, or floats that are."""
    if pixels.ndim != 2:
        return False
    if pixels.dtype.kind in "iub":
        return True
    step = max(1, int(np.sqrt(pixels.size / 10_000)))
    sample = np.asarray(pixels[::step, ::step], np.float64)
    sample = sample[np.isfinite(sample)]
    return bool(sample.size and (sample == np.rint(sample)).all() and np.ptp(sample) > 4)


def as_plane(pixels: Array, bayer: str | None) -> Plane | None:
    """
    Wrap an array of light; None when it has no two-dimensional picture in it.

    Parameters
    ----------
    pixels : ndarray, shape (h, w), (1, h, w) or (planes, h, w) with up to four planes
        As read, ADU.
    bayer : str or None
        Letters of the mosaic's first two rows; ignored where it is none of the four patterns.

    Returns
    -------
    Plane or None
    """
    if pixels.ndim == 3 and pixels.shape[0] == 1:
        pixels = pixels[0]
    if pixels.ndim not in (2, 3) or pixels.size == 0 or pixels.dtype.kind not in "iufb":
        return None
    if pixels.ndim == 3 and pixels.shape[0] > 4:
        return None
    pattern = bayer.strip().upper() if bayer else None
    if pattern not in FILES_OF_GREEN or pixels.ndim == 3 or min(pixels.shape) < 4:
        return Plane(pixels, is_integer=whole_numbers(pixels))
    return Plane(pixels, pattern, mosaic_offsets(pixels, pattern), whole_numbers(pixels))


def mosaic_offsets(pixels: Array, pattern: str) -> F32:
    """Median sky of each of the four mosaic sites minus that of green, in ADU."""
    step = 2 * max(1, int(np.sqrt(pixels.size / 4 / 200_000)))
    medians = np.zeros((2, 2), np.float32)
    for site in np.ndindex(2, 2):
        values = as_light(pixels[site[0] :: step, site[1] :: step])
        finite = values[np.isfinite(values)]
        medians[site] = np.median(finite) if finite.size else 0
    green = [site for site in np.ndindex(2, 2) if pattern[2 * site[0] + site[1]] == "G"]
    return np.asarray(medians - np.mean([medians[site] for site in green]), np.float32)


def find_ceiling(plane: Plane, given_adu: float | None, sky_adu: float) -> float | None:
    """
    Return the level at which pixels are full, in ADU.

    The highest value of the frame when more pixels pile up at it than lie in a band just
    below (noise never does that), or when it is the highest number the type can hold; else
    the given one; None when neither.

    Parameters
    ----------
    plane : Plane
    given_adu : float or None
        What the header says.
    sky_adu : float
        Median level: noise around it is no ceiling.

    Returns
    -------
    float or None
        ADU.
    """
    raw = plane.raw
    given = float(given_adu) if given_adu is not None and given_adu > 0 else None
    top = float(raw.max() if raw.dtype.kind in "iu" else np.fmax.reduce(raw, axis=None))
    if not np.isfinite(top):
        return given
    if raw.dtype.kind in "ui" and top == np.iinfo(raw.dtype).max:
        return top if given is None else min(given, top)
    piled, band = _counted_below(plane, top, top - max(1.0, 0.02 * (top - sky_adu)))
    if piled >= FEWEST_PILED and piled > band and top > sky_adu and (given is None or top < given):
        return top
    return given


def _counted_below(plane: Plane, top: float, low: float) -> tuple[int, int]:
    """Count the pixels at the top and those from a level up to it, some rows at a time."""
    piled = reached = 0
    for start, stop in plane.chunks():
        part = plane.raw[..., start:stop, :]
        high = part[at_least(part, low)]
        reached += high.size
        piled += int(np.count_nonzero(high == top))
    return piled, reached - piled
