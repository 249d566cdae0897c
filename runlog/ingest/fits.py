"""The only opener of FITS files: read-only, header first, pixels when the header is sane."""

import gzip
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyError

from runlog.core.frame import Card, Shape
from runlog.errors import FrameError

MOST_PIXELS = 1 << 30  # a billion: seven times the largest sensor we know of
SIGNATURE = b"SIMPLE  ="
GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True, slots=True)
class OpenFrame:
    """One image of one file, its pixels not yet read."""

    cards: tuple[Card, ...]
    shape: Shape
    _hdu: Any

    def pixels(self) -> np.ndarray[Any, Any]:
        """Read the pixels as (h, w) or (3, h, w), scaled by BZERO and BSCALE, native order."""
        data = _decoded(self._hdu)
        squeezed = data.reshape([n for n in data.shape if n != 1] or [1])
        if squeezed.ndim < 2:  # a frame one pixel high or wide keeps its two axes
            squeezed = data.reshape(data.shape[-2:])
        return squeezed


@contextmanager
def open_frame(path: bytes) -> Iterator[OpenFrame]:
    """Open a file's first image.

    Raises
    ------
    FrameError
        When the file is not FITS, is cut short, or holds no image that fits in memory.
    """
    _check_start(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd headers are judged card by card, not here
        with _opened(path) as hdus:
            yield _first_image(hdus, path)


@contextmanager
def _opened(path: bytes) -> Iterator[Any]:
    try:
        # Bytes names may hold anything; astropy takes an open file.
        with open(path, "rb") as raw, fits.open(raw, memmap=False, uint=True) as hdus:
            yield hdus
    except FrameError:
        raise
    except (OSError, VerifyError, ValueError, TypeError, KeyError, IndexError, EOFError) as error:
        raise FrameError(f"cannot be read as FITS ({_first_line(error)})") from error
    except (MemoryError, OverflowError) as error:
        raise FrameError("needs more memory than there is") from error


def _first_line(error: BaseException) -> str:
    lines = str(error).splitlines()
    return lines[0] if lines else type(error).__name__


def _check_start(path: bytes) -> None:
    try:
        with open(path, "rb") as raw:
            start = raw.read(len(SIGNATURE))
            if start.startswith(GZIP_MAGIC):
                raw.seek(0)
                start = gzip.GzipFile(fileobj=raw).read(len(SIGNATURE))
    except (OSError, EOFError) as error:
        reason = getattr(error, "strerror", None) or _first_line(error)
        raise FrameError(f"cannot be opened ({reason})") from error
    if not start:
        raise FrameError("is empty")
    if start != SIGNATURE:
        raise FrameError("is not FITS (it does not begin with SIMPLE)")


def _first_image(hdus: Any, path: bytes) -> OpenFrame:
    for hdu in hdus:
        if not hdu.is_image or not hdu.header.get("NAXIS", 0):
            continue
        shape = _shape(hdu)
        if type(hdu).__name__ != "CompImageHDU":
            _check_length(hdu, path)
        return OpenFrame(_cards(hdus, hdu), shape, hdu)
    raise FrameError("holds no image")


def _shape(hdu: Any) -> Shape:
    axes = [hdu.header[f"NAXIS{i}"] for i in range(1, hdu.header["NAXIS"] + 1)]
    if min(axes) < 1:
        raise FrameError("holds no pixels")
    if len(axes) == 1:
        raise FrameError("holds a single row of numbers, not an image")
    deep = [n for n in axes[2:] if n != 1]
    if len(deep) > 1 or (deep and deep[0] != 3):
        raise FrameError(
            f"is a stack of {' x '.join(map(str, deep))} planes; frames have one plane or three"
        )
    if np.prod([float(n) for n in axes]) > MOST_PIXELS:
        size = " x ".join(map(str, axes))
        raise FrameError(f"promises {size} pixels, more than any frame has")
    return Shape(axes[0], axes[1], 3 if deep else 1, int(hdu.header["BITPIX"]))


def _check_length(hdu: Any, path: bytes) -> None:
    """Refuse a file shorter than its header says, before anything is read from it."""
    info = hdu.fileinfo() or {}
    start, needed = info.get("datLoc", 0), hdu.size
    stored = os.stat(path).st_size
    with open(path, "rb") as raw:
        if raw.read(2) == GZIP_MAGIC:
            return  # its length shows only in reading; astropy complains then
    if start + needed > stored:
        share = max(stored - start, 0) / needed
        raise FrameError(f"is cut short: {share:.0%} of the pixels its header promises are there")


def _cards(hdus: Any, hdu: Any) -> tuple[Card, ...]:
    """Collect the image's cards, then those only the primary header has."""
    own = [_card(card) for card in hdu.header.cards]
    if hdu is hdus[0]:
        return tuple(own)
    have = {card.keyword for card in own}
    extra = (_card(card) for card in hdus[0].header.cards)
    return (*own, *(card for card in extra if card.keyword not in have))


def _card(card: Any) -> Card:
    try:
        keyword, value, comment = card.keyword, card.value, card.comment
    except (VerifyError, ValueError):  # not a legal card: keep it as it is written
        return Card("", str(card.image).rstrip(), "not a legal card")
    if isinstance(value, fits.card.Undefined):
        value = None
    elif isinstance(value, complex | np.generic) or not isinstance(value, str | int | float | bool):
        value = str(value)
    return Card(keyword, value, comment)


def _decoded(hdu: Any) -> np.ndarray[Any, Any]:
    try:
        data = hdu.data
    except (OSError, ValueError, TypeError, EOFError, IndexError) as error:
        raise FrameError(f"has pixels that cannot be decoded ({_first_line(error)})") from error
    except (MemoryError, OverflowError) as error:
        raise FrameError("needs more memory than there is") from error
    if data is None:
        raise FrameError("holds no pixels")
    return np.asarray(data, dtype=data.dtype.newbyteorder("="))
