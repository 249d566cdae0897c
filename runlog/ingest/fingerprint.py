"""The content key: the same pixels give the same key, however they are stored."""

import hashlib
from collections.abc import Callable, Iterator
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
    canonical = np.dtype(_canonical(pixels))
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    digest.update(f"{pixels.shape}{canonical.str}".encode())
    if _featureless(pixels, canonical):
        digest.update(start.encode())
    for band in _bands(pixels):
        digest.update(np.ascontiguousarray(_as(band, canonical)).data)
    return digest.hexdigest()


def _bands(pixels: Array) -> Iterator[Array]:
    """Give some pixels at a time: a frame of gigabytes is never copied whole."""
    flat = pixels.reshape(-1)
    return (flat[i : i + BAND_PIXELS] for i in range(0, flat.size, BAND_PIXELS))


def _all(holds: Callable[[Array], bool], pixels: Array) -> bool:
    """Ask of some pixels at a time: most frames answer soon."""
    return all(map(holds, _bands(pixels)))


def _featureless(pixels: Array, canonical: "np.dtype[Any]") -> bool:
    """Tell whether all pixels are equal, or none holds a number."""
    if not pixels.size:
        return True
    first = _as(pixels.reshape(-1)[:1], canonical)
    if first[0] != first[0]:
        return _all(lambda band: bool(np.isnan(band).all()), pixels)
    return _all(lambda band: bool((_as(band, canonical) == first).all()), pixels)


def _as(band: Array, canonical: "np.dtype[Any]") -> Array:
    """Write some pixels in a type, and every NaN in the same bits."""
    with np.errstate(over="ignore", invalid="ignore"):
        band = band.astype(canonical, copy=False)
    if canonical.kind != "f":
        return band
    empty = np.isnan(band)
    return np.where(empty, canonical.type(np.nan), band) if empty.any() else band


# --- types ----------------------------------------------------------------------------------


def _canonical(pixels: Array) -> str:
    """Choose the narrowest of uint16, int32, float32 and float64 (little-endian) that is exact."""
    if pixels.dtype == np.uint16:
        return "<u2"
    if pixels.dtype.kind == "f":
        return _canonical_float(pixels)
    return _narrowest(*((int(pixels.min()), int(pixels.max())) if pixels.size else (0, 0)))


def _narrowest(low: int, high: int) -> str:
    if low >= 0 and high <= 0xFFFF:
        return "<u2"
    return "<i4" if low >= -(1 << 31) and high < 1 << 31 else "<f8"


def _canonical_float(pixels: Array) -> str:
    low, high = float(pixels.min()), float(pixels.max())  # NaN makes both NaN
    if low >= -(2.0**31) and high < 2.0**31 and _all(_is_whole, pixels):
        return _narrowest(int(low), int(high))
    return "<f4" if pixels.dtype.itemsize <= 4 or _all(_is_single, pixels) else "<f8"


def _is_whole(pixels: Array) -> bool:
    return bool((pixels == np.rint(pixels)).all())


def _is_single(pixels: Array) -> bool:
    with np.errstate(over="ignore", invalid="ignore"):
        return np.array_equal(pixels.astype("<f4"), pixels, equal_nan=True)
