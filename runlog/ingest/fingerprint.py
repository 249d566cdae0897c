"""The content key: the same pixels give the same key, however they are stored."""

import hashlib
from collections.abc import Callable
from typing import Any

import numpy as np

DIGEST_BYTES = 16
BAND_PIXELS = 1 << 20
Array = np.ndarray[Any, Any]


def content_key(pixels: Array, start: str) -> str:
    """Hash decoded pixels in one canonical type; 32 hex digits.

    Whole numbers hash the same whether stored as 8, 16 or 32 bits or as floats, so a plain,
    gzip, Rice or re-saved copy is one frame. Frames whose pixels are all equal look alike
    without being the same, so `start` (when the exposure began) goes into their key.

    Parameters
    ----------
    pixels : (h, w) or (3, h, w), any real type.
    """
    canonical = _canonical(pixels)
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    digest.update(f"{canonical.shape}{canonical.dtype.str}".encode())
    if _featureless(canonical):
        digest.update(start.encode())
    digest.update(np.ascontiguousarray(canonical).data)
    return digest.hexdigest()


def _featureless(pixels: Array) -> bool:
    """Tell whether all pixels are equal, or none holds a number."""
    if not pixels.size:
        return True
    first = pixels.flat[0]
    if (pixels[..., 0] != first).any() and first == first:
        return False  # most frames show it in one column
    return bool((pixels == first).all() if first == first else np.isnan(pixels).all())


def _canonical(pixels: Array) -> Array:
    """Choose the narrowest of uint16, int32, float32 and float64 (little-endian) that is exact."""
    if pixels.dtype == np.uint16:
        return pixels.astype("<u2", copy=False)
    if pixels.dtype.kind == "f":
        return _canonical_float(pixels)
    low, high = (int(pixels.min()), int(pixels.max())) if pixels.size else (0, 0)
    return _narrowed(pixels, low, high)


def _narrowed(pixels: Array, low: int, high: int) -> Array:
    if low >= 0 and high <= 0xFFFF:
        return pixels.astype("<u2")
    if low >= -(1 << 31) and high < 1 << 31:
        return pixels.astype("<i4")
    return pixels.astype("<f8")


def _canonical_float(pixels: Array) -> Array:
    low, high = float(pixels.min()), float(pixels.max())  # NaN makes both NaN
    if low >= -(2.0**31) and high < 2.0**31 and _all(_is_whole, pixels):
        return _narrowed(pixels, int(low), int(high))
    exact = pixels.dtype.itemsize <= 4 or _all(_is_single, pixels)
    return _with_one_nan(pixels.astype("<f4" if exact else "<f8", copy=False))


def _all(holds: Callable[[Array], bool], pixels: Array) -> bool:
    """Ask of some pixels at a time: most frames answer soon, and none is copied whole."""
    flat = pixels.reshape(-1)
    return all(holds(flat[i : i + BAND_PIXELS]) for i in range(0, flat.size, BAND_PIXELS))


def _is_whole(pixels: Array) -> bool:
    return bool((pixels == np.rint(pixels)).all())


def _is_single(pixels: Array) -> bool:
    with np.errstate(over="ignore", invalid="ignore"):
        return np.array_equal(pixels.astype("<f4"), pixels, equal_nan=True)


def _with_one_nan(pixels: Array) -> Array:
    """Write every NaN in the same bits."""
    empty = np.isnan(pixels)
    return np.where(empty, pixels.dtype.type(np.nan), pixels) if empty.any() else pixels
