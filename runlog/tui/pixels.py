"""A picture in the terminal's own pixels, as bytes of the two open protocols. Pure arrays.

Sixel: DEC STD 070, Video Systems Reference Manual, chapter 9 (from memory), and the VT340 manual:
DCS 0;1;0 q, raster attributes, colour registers in per cent, six rows to a band, ST.
Kitty: https://sw.kovidgoyal.net/kitty/graphics-protocol/ (from memory): APC G, a PNG in base64 by
chunks of 4096, placed by Unicode placeholders, so that text which covers it covers it for good.
PNG: ISO/IEC 15948, colour type 3.
"""

import re
import struct
import zlib
from base64 import b64encode
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from runlog.tui.paint import Window

Array = np.ndarray[Any, Any]
Color = tuple[int, int, int]

BAND = 6  # rows of a sixel
LEAST_RUN = 4  # shorter runs are written out
CHUNK = 4096  # bytes of base64 in one message
PLACEHOLDER = "\U0010eeee"
# Rows by number, of the protocol's rowcolumn-diacritics.txt; columns after the first follow on.
ROW_SIGNS = "".join(
    chr(int(code, 16))
    for code in (
        "305 30d 30e 310 312 33d 33e 33f 346 34a 34b 34c 350 351 352 357 35b 363 364 365 366 367 "
        "368 369 36a 36b 36c 36d 36e 36f 483 484 485 486 487 592 593 594 595 597 598 599 59c 59d "
        "59e 59f 5a0 5a1 5a8 5a9 5ab 5ac 5af 5c4 610 611 612 613 614 615 616 617 657 658 659 65a "
        "65b 65d 65e 6d6 6d7 6d8 6d9 6da 6db 6dc 6df 6e0 6e1 6e2 6e4 6e7 6e8 6eb 6ec 730 732 733 "
        "735 736 73a 73d 73f 740 741 743 745 747 749 74a"
    ).split()
)


def fine(image: Array, window: Window, dots: tuple[int, int], shrink: float = 1.0) -> Array:
    """Sample an image for many dots: whole pixels averaged where several share a dot.

    Parameters
    ----------
    image : (h, w); `shrink` frame pixels to one of its pixels.
    window : in frame pixels; what lies outside the image comes back as NaN.
    dots : width and height of the result.
    """
    columns = _edges(window.x0 / shrink, window.x1 / shrink, dots[0])
    rows = _edges(window.y0 / shrink, window.y1 / shrink, dots[1])
    inside_x, inside_y = _inside(columns, image.shape[1]), _inside(rows, image.shape[0])
    found = np.full((dots[1], dots[0]), np.nan, dtype=np.float32)
    if inside_x.any() and inside_y.any():
        part = _averaged(image, rows[:-1][inside_y], rows[1:][inside_y], axis=0)
        part = _averaged(part, columns[:-1][inside_x], columns[1:][inside_x], axis=1)
        found[np.ix_(inside_y, inside_x)] = part
    return found


def _edges(start: float, end: float, dots: int) -> Array:
    return np.linspace(start, end, dots + 1)


def _inside(edges: Array, size: int) -> Array:
    middles: Array = (edges[:-1] + edges[1:]) / 2
    inside: Array = (middles >= 0) & (middles < size)
    return inside


def _averaged(image: Array, starts: Array, ends: Array, axis: int) -> Array:
    """Average whole pixels between edges along one axis; narrower than two, take the nearest."""
    if (ends[0] - starts[0]) < 2:
        return image.take(((starts + ends) / 2).astype(int), axis=axis)
    first = np.maximum(np.rint(starts), 0).astype(int)
    last = min(round(ends[-1]), image.shape[axis])
    part = image[:last] if axis == 0 else image[:, :last]
    sums = np.add.reduceat(part, first, axis=axis, dtype=np.float32)
    counts = np.diff(np.append(first, last)).astype(np.float32)
    means: Array = sums / (counts[:, None] if axis == 0 else counts)
    return means


# --- sixel ----------------------------------------------------------------------------------


def sixel(codes: Array, palette: Sequence[Color]) -> str:
    """Write an image as sixels.

    Parameters
    ----------
    codes : (h, w) uint8, numbers of colours of the palette; h a multiple of six.
    palette : red, green and blue of 0 to 255, at most 256 of them.
    """
    high, wide = codes.shape
    colors = "".join(
        f"#{i};2;{_percent(r)};{_percent(g)};{_percent(b)}" for i, (r, g, b) in enumerate(palette)
    )
    bands = "-".join(_band(codes[y : y + BAND]) for y in range(0, high, BAND))
    return f'\x1bP0;1;0q"1;1;{wide};{high}{colors}{bands}\x1b\\'


def _percent(level: int) -> int:
    return round(level * 100 / 255)


def _band(rows: Array) -> str:
    """Write six rows: each colour's dots over the whole width, one colour after another."""
    bits = (1 << np.arange(rows.shape[0], dtype=np.uint8))[:, None]
    return "$".join(
        f"#{color}{_runs(((rows == color) * bits).sum(axis=0, dtype=np.uint8))}"
        for color in np.unique(rows).tolist()
    )


_LONG_RUN = re.compile(rf"(.)\1{{{LEAST_RUN - 1},}}")


def _runs(sixes: Array) -> str:
    text = (sixes + 0x3F).tobytes().decode("ascii").rstrip("?")  # an empty end needs no dots
    return _LONG_RUN.sub(lambda run: f"!{len(run[0])}{run[1]}", text)


# --- kitty ----------------------------------------------------------------------------------


def kitty(codes: Array, palette: Sequence[Color], number: int, cells: tuple[int, int]) -> str:
    """Send an image to be shown wherever its placeholders stand; nothing is answered (q=2)."""
    sent = b64encode(png(codes, palette)).decode("ascii")
    place = f"a=T,U=1,f=100,q=2,i={number},c={cells[0]},r={cells[1]},"
    parts = [sent[i : i + CHUNK] for i in range(0, len(sent), CHUNK)]
    return "".join(
        f"\x1b_G{place if i == 0 else ''}m={int(i + 1 < len(parts))};{part}\x1b\\"
        for i, part in enumerate(parts)
    )


def placeholders(cells: tuple[int, int]) -> Iterator[str]:
    """Write the lines that stand for an image; its number is their colour."""
    for row in range(cells[1]):
        yield PLACEHOLDER + ROW_SIGNS[row] + ROW_SIGNS[0] + PLACEHOLDER * (cells[0] - 1)


def png(codes: Array, palette: Sequence[Color]) -> bytes:
    """Write an image of palette numbers as PNG."""
    high, wide = codes.shape
    rows = np.zeros((high, wide + 1), np.uint8)  # each row begins with its filter: none
    rows[:, 1:] = codes
    head = struct.pack(">IIBBBBB", wide, high, 8, 3, 0, 0, 0)
    parts = ((b"IHDR", head), (b"PLTE", bytes(v for color in palette for v in color)),
             (b"IDAT", zlib.compress(rows.tobytes(), 6)), (b"IEND", b""))  # fmt: skip
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(name, data) for name, data in parts)


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
