"""Whether the packed tiles of an image are what its header promises, before they are unpacked.

By the FITS Standard 4.0, sections 7.3 (tables and their heap) and 10 (tiles, algorithms). The
library that unpacks them trusts these numbers: a wrong one may cost all memory, or the process.
"""

import math
import re
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from runlog.core.failures import AGAINST_STANDARD, NOT_SUPPORTED
from runlog.errors import FrameError
from runlog.ingest.layout import Unit, in_short, shown

Array = np.ndarray[Any, Any]

ALGORITHMS = (
    "RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1", "NOCOMPRESS"
)  # fmt: skip
DAMAGED = "has packed pixels that cannot be unpacked: damaged"
# An image packed into more than this share of itself, and some bytes a tile, is no packed image.
MOST_SHARE, MOST_BYTES_A_TILE, MOST_BYTES_BESIDE = 2, 1024, 1 << 20
# The library counts a tile's bytes, up to 8 a pixel, in 31 bits.
MOST_TILE_PIXELS = (1 << 31) // 8 - 1
DEFLATE_MOST = 1032  # no stream of deflate unpacks to more times its length (zlib's notes)
HARMLESS_BYTES = 64 << 20
HCOMPRESS_MAGIC = b"\xdd\x99"
BLOCK_SIZES, BYTES_PER_PIXEL = (16, 32), (1, 2, 4)  # of 8 bytes the library unpacks only 4

_FORM = re.compile(r"([0-9]*)([LXBIJKAEDCMPQ])([LXBIJKAEDCM]?)")
_WIDTH = {"L": 1, "B": 1, "I": 2, "J": 4, "K": 8, "A": 1, "E": 4, "D": 8, "C": 8, "M": 16,
          "P": 8, "Q": 16}  # fmt: skip


def check_tiling(unit: Unit) -> None:
    """Refuse a header whose tiles do not make up its image."""
    algorithm = unit.values.get("ZCMPTYPE")
    if algorithm not in ALGORITHMS:
        raise FrameError(f"is packed by {shown(algorithm)}, which is {NOT_SUPPORTED}")
    _check_settings(unit)
    if not unit.axes or min(unit.axes) < 1:
        raise FrameError("holds no pixels")
    tiles = math.prod(_tiles_along(unit))
    width, rows = _natural(unit, "NAXIS1", 0), _natural(unit, "NAXIS2", 0)
    if rows != tiles:
        raise FrameError(
            f"is damaged: {in_short(rows)} packed tiles for an image that has {in_short(tiles)}"
        )
    if _tile_pixels(unit) > MOST_TILE_PIXELS:
        raise FrameError(f"is packed in tiles of {_tile_pixels(unit)} pixels: {NOT_SUPPORTED}")
    most = MOST_SHARE * unit.image_bytes + MOST_BYTES_A_TILE * rows + MOST_BYTES_BESIDE
    if unit.data_bytes > most or width > MOST_BYTES_A_TILE + 2 * unit.image_bytes:
        raise FrameError(
            f"is damaged: its header promises {in_short(unit.data_bytes)} bytes of packed pixels "
            f"for an image of {in_short(unit.image_bytes)}"
        )


def _tile(unit: Unit) -> tuple[int, ...]:
    """Give the sizes of a tile; a row each where the header is silent (section 10.1.1)."""
    return tuple(
        _natural(unit, f"ZTILE{i}", size if i == 1 else 1) for i, size in enumerate(unit.axes, 1)
    )


def _tiles_along(unit: Unit) -> list[int]:
    """Give the number of tiles along each axis."""
    return [-(-size // tile) for size, tile in zip(unit.axes, _tile(unit), strict=True)]


def _tile_pixels(unit: Unit) -> int:
    """Give the pixels of the largest tile."""
    return math.prod(map(min, _tile(unit), unit.axes))


def _own_sizes(unit: Unit, row: int) -> list[int]:
    """Give the sizes of one tile other than 1: those at the far edges may be smaller."""
    sizes = []
    for size, tile, count in zip(unit.axes, _tile(unit), _tiles_along(unit), strict=True):
        row, place = divmod(row, count)
        sizes.append(min(tile, size - place * tile))
    return [size for size in sizes if size != 1]


def _natural(unit: Unit, name: str, otherwise: int) -> int:
    value = unit.values.get(name, otherwise)
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise FrameError(f"has {name} = {shown(value)} in its header, {AGAINST_STANDARD}")
    return value


def _check_settings(unit: Unit) -> None:
    """Refuse settings of an algorithm that would never come to an end."""
    for i in range(1, 1000):
        name, value = unit.values.get(f"ZNAME{i}"), unit.values.get(f"ZVAL{i}")
        if name is None:
            return
        known = {"BLOCKSIZE": BLOCK_SIZES, "BYTEPIX": BYTES_PER_PIXEL}.get(str(name).upper())
        if known and value not in known:
            raise FrameError(f"is packed with {name} = {shown(value)}, {AGAINST_STANDARD}")


# --- the table ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    first: int  # byte of a row
    pointer: str  # P or Q where it points into the heap, else ""
    item_bytes: int


def rows_bytes(unit: Unit) -> int:
    """Give the length of the rows, which say where in the heap behind them the tiles lie."""
    return int(unit.values["NAXIS1"] or 0) * int(unit.values["NAXIS2"] or 0)


def check_heap(unit: Unit, rows: memoryview) -> None:
    """Refuse a heap of far more than the tiles in it, before it is read: it only fills memory."""
    cells = np.frombuffer(rows, np.uint8)
    if cells.size < rows_bytes(unit):
        raise FrameError(DAMAGED)
    cells = cells.reshape(int(unit.values["NAXIS2"] or 0), -1)
    pointed = [(c, _pointers(cells, c)[0]) for c in _columns(unit) if c.pointer]
    held = sum(float(np.abs(counts).sum(dtype=float)) * c.item_bytes for c, counts in pointed)
    heap = unit.data_bytes - rows_bytes(unit)
    if heap > MOST_SHARE * held + MOST_BYTES_A_TILE * len(cells) + MOST_BYTES_BESIDE:
        raise FrameError(
            f"is damaged: its header promises {in_short(heap)} bytes of packed pixels, its tiles "
            f"have {in_short(int(held))}"
        )


def check_tiles(unit: Unit, table: memoryview) -> None:
    """Refuse tiles that lie outside their file's heap or unpack to more than a tile."""
    columns = _columns(unit)
    if not any(column.name == "COMPRESSED_DATA" and column.pointer for column in columns):
        raise FrameError(DAMAGED)
    rows, width = int(unit.values["NAXIS2"] or 0), int(unit.values["NAXIS1"] or 0)
    heap_at = unit.values.get("THEAP", rows * width)
    if not isinstance(heap_at, int) or not rows * width <= heap_at <= len(table):
        raise FrameError(DAMAGED)
    cells = np.frombuffer(table, np.uint8, rows * width).reshape(rows, width)
    heap = table[heap_at:]
    for column in columns:
        if column.pointer:
            counts, offsets = _pointers(cells, column)
            _check_reach(counts, offsets, column, len(heap))
            _check_content(unit, column, counts * column.item_bytes, offsets, heap)


def _columns(unit: Unit) -> list[_Column]:
    columns, first = [], 0
    for i in range(1, min(_natural(unit, "TFIELDS", 0), 999) + 1):
        form = _FORM.match(str(unit.values.get(f"TFORM{i}", "")).strip())
        if form is None:
            raise FrameError(DAMAGED)
        repeat, letter, item = int(form[1] or 1), form[2], form[3]
        pointer = letter if letter in "PQ" else ""
        name = str(unit.values.get(f"TTYPE{i}", "")).strip().upper()
        columns.append(_Column(name, first, pointer if repeat else "", _WIDTH.get(item, 1)))
        first += -(-repeat // 8) if letter == "X" else repeat * _WIDTH[letter]
    if first != unit.values["NAXIS1"]:
        raise FrameError(DAMAGED)
    return columns


def _pointers(cells: Array, column: _Column) -> tuple[Array, Array]:
    """Give count and place in the heap of each row's items."""
    size = 4 if column.pointer == "P" else 8
    raw = np.ascontiguousarray(cells[:, column.first : column.first + 2 * size])
    pairs = raw.view(f">i{size}").astype(np.int64)
    return pairs[:, 0], pairs[:, 1]


def _check_reach(counts: Array, offsets: Array, column: _Column, heap_bytes: int) -> None:
    used = counts > 0
    reach = offsets.astype(np.float64) + counts.astype(np.float64) * column.item_bytes
    if (counts < 0).any() or (offsets[used] < 0).any() or (reach[used] > heap_bytes).any():
        raise FrameError("is damaged: packed pixels lie outside the part of the file kept for them")


# --- what is in the tiles -------------------------------------------------------------------


def _check_content(
    unit: Unit, column: _Column, sizes: Array, offsets: Array, heap: memoryview
) -> None:
    algorithm = str(unit.values.get("ZCMPTYPE"))
    if column.name == "GZIP_COMPRESSED_DATA" or (
        column.name == "COMPRESSED_DATA" and algorithm.startswith("GZIP")
    ):
        # Only what could become large is unpacked twice: most tiles are a row.
        for row in np.flatnonzero(sizes * DEFLATE_MOST > HARMLESS_BYTES):
            _check_deflated(heap[offsets[row] : offsets[row] + sizes[row]], 8 * _tile_pixels(unit))
    elif column.name == "COMPRESSED_DATA" and algorithm == "HCOMPRESS_1":
        for row in np.flatnonzero(sizes > 0):
            start = bytes(heap[offsets[row] : offsets[row] + min(sizes[row], 10)])
            _check_hcompress(start, _own_sizes(unit, int(row)))


def _check_deflated(packed: memoryview, most: int) -> None:
    unpacker, left = zlib.decompressobj(31), most
    piece: bytes | memoryview = packed
    try:
        while piece and left >= 0 and not unpacker.eof:
            left -= len(unpacker.decompress(piece, 1 << 20))
            piece = unpacker.unconsumed_tail
    except zlib.error as error:
        raise FrameError(DAMAGED) from error
    if left < 0:
        raise FrameError("is damaged: a packed tile unpacks to more than the image has")


def _check_hcompress(start: bytes, tile: list[int]) -> None:
    """Refuse a tile that names other sizes than its own: it would be written past its end."""
    sizes = np.frombuffer(start[2:10], ">i4").tolist() if len(start) == 10 else []
    if not start.startswith(HCOMPRESS_MAGIC) or sorted(sizes) != sorted(tile):
        raise FrameError(DAMAGED)
