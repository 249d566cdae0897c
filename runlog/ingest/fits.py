"""The only opener of FITS files: read-only, header first, pixels when the header is sane."""

import gzip
import math
import os
import stat
import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import Any, BinaryIO

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyError

from runlog.core.frame import Card, Shape
from runlog.errors import FrameError, PassingError
from runlog.ingest.memory import free_memory_bytes

BAND_PIXELS = 1 << 21  # decoded at a time
MOST_PIXELS = 1 << 30  # a billion: seven times the largest sensor we know of
SIGNATURE = b"SIMPLE  ="
GZIP_MAGIC = b"\x1f\x8b"
# Reading holds the stored values, the scaled ones and a float copy of a few tiles at once.
BYTES_PER_PIXEL = 8
# What astropy and the decoders below it raise on bytes that are not what they should be.
BAD_FILE = (
    OSError, VerifyError, ValueError, TypeError, LookupError, EOFError, AttributeError,
    ArithmeticError, struct.error, zlib.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class OpenFrame:
    """One image of one file, its pixels not yet read."""

    cards: tuple[Card, ...]
    shape: Shape
    _hdu: Any
    _packed: gzip.GzipFile | None = None

    def pixels(self) -> np.ndarray[Any, Any]:
        """Read the pixels as (h, w) or (3, h, w), scaled by BZERO and BSCALE, native order."""
        data = _decoded(self._hdu)
        if self._packed is not None:
            _check_packed(self._packed)
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
        When the file is not FITS, is cut short, or holds no image that fits in memory;
        PassingError when another try may succeed.
    """
    _check_start(path)
    with warnings.catch_warnings(), ExitStack() as stack:
        warnings.simplefilter("ignore")  # odd headers are judged card by card, not here
        with _refusal("cannot be read as FITS"):
            # Bytes names may hold anything; astropy takes an open file.
            raw = stack.enter_context(open(path, "rb"))
            packed = stack.enter_context(gzip.GzipFile(fileobj=raw)) if _is_gzip(raw) else None
            hdus = stack.enter_context(fits.open(packed or raw, memmap=False, uint=True))
            image = _first_image(hdus, None if packed else os.fstat(raw.fileno()).st_size)
        yield replace(image, _packed=packed)


def _is_gzip(raw: BinaryIO) -> bool:
    magic = raw.read(len(GZIP_MAGIC))
    raw.seek(0)
    return magic == GZIP_MAGIC


@contextmanager
def _refusal(what: str) -> Iterator[None]:
    """Turn what astropy raises on a bad file, and only that, into words for a person."""
    try:
        yield
    except FrameError:
        raise
    except BAD_FILE as error:
        raise _refused(what, error) from error
    except MemoryError as error:
        raise PassingError("needs more memory than there is") from error


def _refused(what: str, error: BaseException) -> FrameError:
    """Choose the kind of error: one the system numbered (no permission, bad disk) may pass."""
    numbered = isinstance(error, OSError) and error.errno is not None
    reason = error.strerror if isinstance(error, OSError) and error.strerror else _first_line(error)
    return (PassingError if numbered else FrameError)(f"{what} ({reason})")


def _first_line(error: BaseException) -> str:
    lines = str(error).splitlines()
    return lines[0] if lines else type(error).__name__


def _check_start(path: bytes) -> None:
    with _refusal("cannot be opened"):
        if not stat.S_ISREG(os.stat(path).st_mode):  # a pipe would make us wait for ever
            raise FrameError("is not a file")
        with open(path, "rb") as raw:
            file = gzip.GzipFile(fileobj=raw) if _is_gzip(raw) else raw
            start = file.read(len(SIGNATURE))
    if not start:
        raise FrameError("is empty")
    if start != SIGNATURE:
        raise FrameError("is not FITS (it does not begin with SIMPLE)")


def _first_image(hdus: Any, stored_bytes: int | None) -> OpenFrame:
    for hdu in hdus:
        if not hdu.is_image or not hdu.header.get("NAXIS", 0):
            continue
        shape = _shape(hdu)
        if stored_bytes is not None and not _is_compressed(hdu):
            _check_length(hdu, stored_bytes)
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
    _check_size(axes)
    return Shape(axes[0], axes[1], 3 if deep else 1, int(hdu.header["BITPIX"]))


def _check_size(axes: list[int]) -> None:
    pixels, size = math.prod(axes), " x ".join(map(str, axes))
    if pixels > MOST_PIXELS:
        raise FrameError(f"promises {size} pixels, more than any frame has")
    if pixels * BYTES_PER_PIXEL > free_memory_bytes():
        raise PassingError(f"holds {size} pixels and needs more memory than there is")


def _check_length(hdu: Any, stored_bytes: int) -> None:
    """Refuse a file shorter than its header says, before anything is read from it."""
    info = hdu.fileinfo() or {}
    start, needed = info.get("datLoc", 0), hdu.size
    if start + needed > stored_bytes:
        share = max(stored_bytes - start, 0) / needed
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


def _check_packed(packed: gzip.GzipFile) -> None:
    """Read on to the end, where gzip keeps its check sum: damaged pixels must not pass."""
    with _refusal("is damaged"):
        while packed.read(1 << 20):
            pass


def _decoded(hdu: Any) -> np.ndarray[Any, Any]:
    with _refusal("has pixels that cannot be decoded"):
        data = hdu.data if _is_compressed(hdu) else _by_bands(hdu)
    if data is None:
        raise FrameError("holds no pixels")
    return np.asarray(data, dtype=data.dtype.newbyteorder("="))


def _by_bands(hdu: Any) -> np.ndarray[Any, Any]:
    """Decode some rows at a time: the stored and the scaled frame never lie side by side."""
    *planes, height, width = hdu.shape
    rows = max(1, BAND_PIXELS // max(1, width * math.prod(planes)))
    frame = np.empty(hdu.shape, hdu.section[..., :1, :].dtype.newbyteorder("="))
    for first in range(0, height, rows):
        frame[..., first : first + rows, :] = hdu.section[..., first : first + rows, :]
    return frame


def _is_compressed(hdu: Any) -> bool:
    return type(hdu).__name__ == "CompImageHDU"
