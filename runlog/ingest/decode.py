"""The pixels of one image, read where its header says and no further.

Values by the FITS Standard 4.0, section 4.4.2.5: BZERO + BSCALE * stored, NaN where stored is
BLANK. Types are those of common readers: unsigned integers stay integers, other scaled integers
of up to 16 bits become 32-bit floats and longer ones 64-bit floats.
"""

import io
import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np

from runlog.errors import CrampedError, FrameError
from runlog.ingest.layout import BLOCK, CARD, Unit, Value, is_structure, number_of
from runlog.ingest.stream import PIECE_BYTES, Stream
from runlog.ingest.tiles import (
    DAMAGED,
    check_heap,
    check_tiles,
    check_tiling,
    rows_bytes,
)

Array = np.ndarray[Any, Any]
BAND_PIXELS = 1 << 21  # decoded at a time
UNSIGNED = {8: "i1", 16: "u2", 32: "u4", 64: "u8"}  # by what FITS writes with an offset


def check_length(unit: Unit, stream: Stream) -> None:
    """Refuse a file shorter than its header says, before anything is read from it."""
    stored = stream.stored_bytes
    if stored is not None and unit.start + unit.data_bytes > stored:
        raise _cut_short(stored - unit.start, unit.data_bytes)


def _cut_short(there: int, promised: int) -> FrameError:
    share = max(there, 0) / promised
    return FrameError(f"is cut short: {share:.0%} of the pixels its header promises are there")


# --- plain ----------------------------------------------------------------------------------


def plain_pixels(unit: Unit, stream: Stream) -> Array:
    """Read an image that is not packed in tiles, as its axes say (slowest first)."""
    stream.go_to(unit.start)
    scale = _Scale(unit.values, unit.bitpix)
    frame = np.empty(math.prod(unit.axes), scale.dtype)
    for first in range(0, frame.size, BAND_PIXELS):
        band = frame[first : first + BAND_PIXELS]
        scale.into(band, _stored(unit, stream, band.size))
    return frame.reshape(unit.axes[::-1])


def _stored(unit: Unit, stream: Stream, count: int) -> Array:
    stored = np.dtype(f">{'f' if unit.bitpix < 0 else 'i'}{abs(unit.bitpix) // 8}")
    if unit.bitpix == 8:
        stored = np.dtype("u1")
    data = stream.read(count * stored.itemsize)
    if len(data) < count * stored.itemsize:
        raise _cut_short(stream.at - unit.start, unit.data_bytes)
    return np.frombuffer(data, stored)


class _Scale:
    """How stored values become pixels."""

    def __init__(self, values: Mapping[str, Value], bitpix: int) -> None:
        self.zero = number_of(values, "BZERO", 0)
        self.scale = number_of(values, "BSCALE", 1)
        self.blank = _blank(values) if bitpix > 0 else None
        half = -128 if bitpix == 8 else 1 << (abs(bitpix) - 1)
        self.offset_only = bitpix > 0 and self.scale == 1 and self.zero == half
        self.plain = self.scale == 1 and self.zero == 0 and self.blank is None
        self.dtype = self._dtype(bitpix)

    def _dtype(self, bitpix: int) -> "np.dtype[Any]":
        if self.offset_only:
            return np.dtype(UNSIGNED[bitpix])
        if bitpix < 0:
            return np.dtype(f"f{-bitpix // 8}")
        if self.plain:
            return np.dtype("u1" if bitpix == 8 else f"i{bitpix // 8}")
        return np.dtype("f8" if bitpix > 16 else "f4")

    def into(self, pixels: Array, stored: Array) -> None:
        """Write the values of one band."""
        if self.offset_only:  # an offset of half the range turns the highest bit over
            bits = pixels.view(f"u{pixels.itemsize}")
            bits[:] = stored.view(stored.dtype.str.replace("i", "u"))
            bits ^= bits.dtype.type(1 << (8 * pixels.itemsize - 1))
            return
        pixels[:] = stored
        with np.errstate(over="ignore", invalid="ignore"):
            if self.scale != 1:
                np.multiply(pixels, self.scale, out=pixels)
            if self.zero != 0:
                np.add(pixels, self.zero, out=pixels)
        if self.blank is not None:
            pixels[stored == self.blank] = np.nan


def _blank(values: Mapping[str, Value]) -> int | None:
    """Give the stored value of empty pixels; what is no whole number marks none (BLANK = NaN)."""
    value = values.get("BLANK")
    whole = isinstance(value, int | float) and not isinstance(value, bool) and value == value // 1
    return int(value) if whole else None  # type: ignore[arg-type]


# --- packed in tiles ------------------------------------------------------------------------


def tiled_image(unit: Unit, stream: Stream) -> Any:
    """Read the packed tiles of an image and hand them, still packed, to the library."""
    from astropy.io import fits

    check_tiling(unit)
    header = readable(_without_odd_blank(unit))
    _check_same_reading(unit, header)
    stream.go_to(unit.start)
    alone = io.BytesIO()  # as an open file, so that it is held once
    first = alone.write(_EMPTY_PRIMARY + header)
    _append(alone, unit, stream, min(rows_bytes(unit), unit.data_bytes))
    with alone.getbuffer() as held:
        check_heap(unit, held[first:])
    _append(alone, unit, stream, unit.data_bytes - (alone.tell() - first))
    alone.write(bytes(-alone.tell() % BLOCK))
    with alone.getbuffer() as held:
        check_tiles(unit, held[first : first + unit.data_bytes])
    with library_refusal(ODD_HEADER):
        alone.seek(0)
        return fits.open(alone, memmap=False, uint=True)[1]


def _check_same_reading(unit: Unit, header: bytes) -> None:
    """Refuse a header in which the library reads other sizes than those that were checked."""
    from astropy.io import fits

    with library_refusal(ODD_HEADER):
        theirs = fits.Header.fromfile(io.BytesIO(header))
        ours = {name: value for name, value in unit.values.items() if is_structure(name)}
        if any(theirs.get(name) != value for name, value in ours.items()):
            raise FrameError(ODD_HEADER)


def tiled_pixels(image: Any, unit: Unit) -> Array:
    """Unpack an image's tiles."""
    with library_refusal(DAMAGED):
        data = image.data
    if data is None or data.shape != unit.axes[::-1]:
        raise FrameError(DAMAGED)
    return np.asarray(data, dtype=data.dtype.newbyteorder("="))


ODD_HEADER = "has a header of packed pixels that cannot be understood: damaged"

_EMPTY_PRIMARY = b"".join(
    card.ljust(CARD)
    for card in (
        b"SIMPLE  =                    T",
        b"BITPIX  =                    8",
        b"NAXIS   =                    0",
        b"EXTEND  =                    T",
        b"END",
    )
).ljust(BLOCK)


_UNPRINTABLE = bytes(range(1, 32)) + b"\x7f"
_TO_QUESTION_MARKS = bytes.maketrans(_UNPRINTABLE, b"?" * len(_UNPRINTABLE))


def readable(header: bytes) -> bytes:
    """Put question marks for control characters: one damaged card must not cost a frame."""
    return header.translate(_TO_QUESTION_MARKS)


def _without_odd_blank(unit: Unit) -> bytes:
    """Give the header; a BLANK that marks no pixel is taken out for the library."""
    if unit.values.get("BLANK") is None or _blank(unit.values) is not None:
        return unit.header
    cards = (unit.header[i : i + CARD] for i in range(0, len(unit.header), CARD))
    return b"".join(b" " * CARD if card.startswith(b"BLANK   =") else card for card in cards)


def _append(alone: io.BytesIO, unit: Unit, stream: Stream, left: int) -> None:
    """Read on in a unit's data."""
    while left:
        piece = stream.read(min(PIECE_BYTES, left))
        if not piece:
            raise _cut_short(stream.at - unit.start, unit.data_bytes)
        alone.write(piece)
        left -= len(piece)


@contextmanager
def library_refusal(what: str) -> Iterator[None]:
    """Turn whatever a library raises on bytes that are not what they should be into our words."""
    try:
        yield
    except FrameError:
        raise
    except MemoryError as error:
        raise CrampedError from error
    except Exception as error:
        raise FrameError(what) from error
