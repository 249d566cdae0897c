"""The only opener of FITS files: read-only, header first, pixels when the header is sane."""

import io
import math
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyError

from runlog.core.failures import NO_PICTURE, NOT_SUPPORTED, TOO_LARGE_SETTING
from runlog.core.frame import Card, Shape
from runlog.errors import CrampedError, FrameError, PassingError
from runlog.ingest.amplifiers import (
    assemble,
    lay_out,
    may_be_part,
    mosaic_cards,
    parts_of,
)
from runlog.ingest.decode import (
    Array,
    check_length,
    library_refusal,
    plain_pixels,
    readable,
    tiled_image,
    tiled_pixels,
)
from runlog.ingest.layout import CARD, Unit, in_short, units
from runlog.ingest.memory import room_bytes
from runlog.ingest.stream import Stream, open_stream
from runlog.ingest.task import Limits
from runlog.ingest.tiles import MOST_SHARE

MOST_PIXELS = 1 << 30  # a billion: seven times the largest sensor we know of
# Some programs leave a pixel or two where the picture was; this is less than a star and the sky
# around it take.
LEAST_SIDE_PIXELS = 16
# The widest pixels; reading and measuring take a few megabytes beside them.
BYTES_PER_PIXEL = 8
COPIES_PACKED = 2  # the library that unpacks tiles copies the packed bytes, and the pixels
SKIPPED_BYTES_PER_PIXEL = 4  # of the largest frame allowed, on the way to an image
# What may follow a frame in a packed file and is still unpacked, for the check sum behind it.
VERIFIED_BYTES = 64 << 20
NO_LIMIT = Limits(most_megapixels=math.inf)


@dataclass(frozen=True, slots=True)
class OpenFrame:
    """One image of one file, its pixels not yet read."""

    cards: tuple[Card, ...]
    shape: Shape
    _read: Callable[[], Array]

    def pixels(self) -> Array:
        """Read the pixels, once: (h, w) or (3, h, w), scaled by BZERO and BSCALE, native order."""
        data = self._read()
        return data.reshape([n for n in data.shape if n != 1])


@contextmanager
def open_frame(path: bytes, limits: Limits = NO_LIMIT) -> Iterator[OpenFrame]:
    """Open a file's first image, or the frame that its amplifiers make.

    Raises
    ------
    FrameError
        When the file is not FITS, is cut short, or holds no image that fits in memory;
        PassingError when another try may succeed.
    """
    with warnings.catch_warnings(), open_stream(path) as stream:
        warnings.simplefilter("ignore")  # odd headers are judged card by card, not here
        try:
            opened = _opened(stream, limits)
        except FrameError as error:
            stream.check_unchanged()  # what a file that is being written says is not the reason
            if not isinstance(error, PassingError):
                stream.verify(VERIFIED_BYTES)  # nor what a damaged one does
            raise
        yield replace(opened, _read=lambda: _whole(opened, stream))


def _whole(opened: OpenFrame, stream: Stream) -> Array:
    """Read the pixels of one state of a file."""
    try:
        return opened._read()
    finally:
        stream.check_unchanged()


def _opened(stream: Stream, limits: Limits) -> OpenFrame:
    primary, images = _find(stream, limits)
    parts = parts_of(images, primary) if len(images) > 1 else []
    if parts:
        return _together(primary, parts, stream, limits)
    return _single(primary, images[0], stream, limits)


def _find(stream: Stream, limits: Limits) -> tuple[Unit, list[Unit]]:
    """Find the first image; and the others, where it may be a part of a frame."""
    images: list[Unit] = []
    primary: Unit | None = None
    unit: Unit | None = None
    most = min(limits.most_megapixels * 1e6, MOST_PIXELS) * SKIPPED_BYTES_PER_PIXEL
    for unit in units(stream, int(most)):
        primary = primary or unit
        if not unit.has_image:
            continue
        images.append(unit)
        if unit is primary or not may_be_part(images[0]):
            break
        if len(images) == 1 and len(unit.axes) > 1:  # a part of a frame larger still
            _check_megapixels(unit.axes, limits)
    if primary is None or unit is None or not images:
        early = unit is not None and stream.at < unit.start + unit.data_bytes
        raise FrameError("is cut short: it ends before any image" if early else "holds no image")
    return primary, images


# --- one image ------------------------------------------------------------------------------


def _single(primary: Unit, unit: Unit, stream: Stream, limits: Limits) -> OpenFrame:
    shape = _shape(unit)
    if not unit.tiled:
        check_length(unit, stream)
    _check_size(unit.axes, limits, unit)
    if unit.tiled:
        packed = [tiled_image(unit, stream)]  # let go of before the pixels are measured
        own = _cards_of(packed[0].header)
        cards = _with_primary(own, primary)
        return OpenFrame(cards, shape, lambda: _tiled(packed.pop(), unit, stream))
    own = _plain_cards(unit)
    cards = tuple(own) if unit is primary else _with_primary(own, primary)
    return OpenFrame(cards, shape, lambda: _plain(unit, stream))


def _tiled(image: Any, unit: Unit, stream: Stream) -> Array:
    _verify(unit, stream)
    return tiled_pixels(image, unit)


def _plain(unit: Unit, stream: Stream) -> Array:
    pixels = plain_pixels(unit, stream)
    _verify(unit, stream)
    return pixels


def _verify(unit: Unit, stream: Stream) -> None:
    stream.verify(unit.end - stream.at + VERIFIED_BYTES)


def _shape(unit: Unit) -> Shape:
    axes = unit.axes
    if not axes or min(axes) < 1:
        raise FrameError("holds no pixels")
    if len(axes) == 1:
        raise FrameError(f"holds a single row of numbers, not an image: {NOT_SUPPORTED}")
    deep = [n for n in axes[2:] if n != 1]
    if len(deep) > 1 or (deep and deep[0] != 3):
        raise FrameError(
            f"is a stack of {_by(deep)} planes; frames have one plane or three: {NOT_SUPPORTED}"
        )
    _check_picture(axes)
    if math.prod(axes) > MOST_PIXELS:
        raise FrameError(
            f"promises {_by(axes)} pixels, more than any frame has: damaged, or no frame"
        )
    return Shape(axes[0], axes[1], 3 if deep else 1, unit.bitpix)


def _check_picture(axes: Sequence[int]) -> None:
    if min(axes[:2]) < LEAST_SIDE_PIXELS:
        raise FrameError(f"is only {_by(axes[:2])} pixels and {NO_PICTURE}")


def _by(axes: Sequence[int]) -> str:
    return " x ".join(map(in_short, axes))


def _check_megapixels(axes: Sequence[int], limits: Limits) -> None:
    millions = axes[0] * axes[1] / 1e6
    if millions <= limits.most_megapixels:
        return
    shown = f"{millions:.0f}" if millions > 10 else f"{millions:.2f}"
    raise PassingError(  # another limit may be set before the next scan
        f"holds {_by(axes)} pixels ({shown} megapixels); {TOO_LARGE_SETTING} = "
        f"{limits.most_megapixels:g} allows no more"
    )


def _check_size(axes: Sequence[int], limits: Limits, unit: Unit | None = None) -> None:
    _check_megapixels(axes, limits)
    needed = math.prod(axes) * BYTES_PER_PIXEL
    if unit is not None and unit.tiled:
        packed = min(unit.data_bytes, MOST_SHARE * unit.image_bytes)  # more is refused as damage
        needed = max(needed, COPIES_PACKED * (unit.image_bytes + packed))
    if needed > room_bytes():
        raise CrampedError(f"holds {_by(axes)} pixels and needs more memory than there is")


# --- several amplifiers ---------------------------------------------------------------------


def _together(primary: Unit, parts: Sequence[Unit], stream: Stream, limits: Limits) -> OpenFrame:
    """Put amplifiers together at once: their overscan belongs to the header of the frame."""
    mosaic = lay_out(parts, primary)
    for unit in parts:
        if not unit.tiled:
            check_length(unit, stream)
        _check_size(unit.axes, limits, unit)
    _check_size((mosaic.width, mosaic.height), limits)
    _check_picture((mosaic.width, mosaic.height))
    shape = Shape(mosaic.width, mosaic.height, 1, mosaic.bitpix)
    firsts: list[Sequence[Card]] = []
    pixels, level = assemble(mosaic, lambda unit: _part(unit, stream, firsts))
    _verify(parts[-1], stream)
    cards = mosaic_cards(mosaic, _plain_cards(primary), firsts[0], level)
    return OpenFrame(cards, shape, lambda: pixels)


def _part(unit: Unit, stream: Stream, firsts: list[Sequence[Card]]) -> Array:
    if not unit.tiled:
        if not firsts:
            firsts.append(_plain_cards(unit))
        return plain_pixels(unit, stream)
    image = tiled_image(unit, stream)
    if not firsts:
        firsts.append(_cards_of(image.header))
    return tiled_pixels(image, unit)


# --- cards ----------------------------------------------------------------------------------


def _with_primary(own: Sequence[Card], primary: Unit) -> tuple[Card, ...]:
    """Collect the image's cards, then those only the primary header has."""
    have = {card.keyword for card in own}
    extra = (card for card in _plain_cards(primary) if card.keyword not in have)
    return (*own, *extra)


def _plain_cards(unit: Unit) -> list[Card]:
    with library_refusal("cannot be read as FITS (its header is damaged)"):
        return _cards_of(fits.Header.fromfile(io.BytesIO(readable(unit.header))))


def _cards_of(header: Any) -> list[Card]:
    return [card for found in header.cards for card in _read_card(found)]


def _read_card(card: Any) -> list[Card]:
    """Read a card; one that is not legal is kept as it is written.

    The library hangs a stray CONTINUE on the card before it, which is read all the same.
    """
    try:
        return [_card(card)]
    except (VerifyError, ValueError):
        written = _as_written(card)
    first, rest = written[:CARD], written[CARD:]
    if not rest:
        return [_illegal(first)]
    strays = [_illegal(rest[at : at + CARD]) for at in range(0, len(rest), CARD)]
    return [*_read_card(fits.Card.fromstring(first)), *strays]


def _illegal(written: str) -> Card:
    return Card("", written.rstrip(), "not a legal card")


def _as_written(card: Any) -> str:
    try:
        return str(card.image)
    except (VerifyError, ValueError):  # the library would mend the text first, and cannot
        return str(getattr(card, "_image", "") or "")


def _card(card: Any) -> Card:
    keyword, value, comment = card.keyword, card.value, card.comment
    if isinstance(value, fits.card.Undefined):
        value = None
    elif isinstance(value, complex | np.generic) or not isinstance(value, str | int | float | bool):
        value = str(value)
    return Card(keyword, value, comment)
