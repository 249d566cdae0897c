"""Files that would fill memory or never come to an end, small on disk."""

import bz2
import gzip
import os
import zlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from astropy.io import fits

from tests.tools import header_of, noise, write_frame

MB = 1 << 20


def card(keyword: str, value: object) -> str:
    """Write one 80-byte card (FITS Standard 4.0, section 4.1)."""
    return f"{keyword:8}= {value!s:>20}".ljust(80)


def blocks(*cards: str, data: bytes = b"") -> bytes:
    """Write a header in blocks of 2880 bytes (FITS Standard 4.0, section 3.3)."""
    head = "".join(c.ljust(80) for c in (*cards, "END")).encode()
    return head + b" " * (-len(head) % 2880) + data + bytes(-len(data) % 2880)


def primary(bitpix: object, axes: Iterable[int], *more: str) -> tuple[str, ...]:
    """Write the cards every primary header begins with."""
    sizes = list(axes)
    named = (card(f"NAXIS{i}", n) for i, n in enumerate(sizes, 1))
    return (card("SIMPLE", "T"), card("BITPIX", bitpix), card("NAXIS", len(sizes)), *named, *more)


def image_extension(bitpix: int, axes: Iterable[int], *more: str) -> tuple[str, ...]:
    """Write the cards of an image extension."""
    return (
        "XTENSION= 'IMAGE   '",
        *primary(bitpix, axes)[1:],
        card("PCOUNT", 0),
        card("GCOUNT", 1),
        *more,
    )


def packed(path: Path, pieces: Iterable[bytes]) -> Path:
    """Pack pieces by gzip or, by the name, bzip2; each is a stream of its own, packed once.

    Both formats allow streams one behind the other (RFC 1952, section 2.2, for gzip).
    """
    squeeze = bz2.compress if path.suffix == ".bz2" else gzip.compress
    known: dict[bytes, bytes] = {}
    with open(path, "wb") as file:
        for piece in pieces:
            if piece not in known:
                known[piece] = squeeze(piece)
            file.write(known[piece])
    return path


def repeated(piece: bytes, count: int) -> Iterable[bytes]:
    """Give the same piece again and again."""
    for _ in range(count):
        yield piece


def endless_header(path: Path, megabytes: int) -> Path:
    """Make a sparse file whose header never ends."""
    path.write_bytes("".join(primary(16, (100, 100))).encode())
    os.truncate(path, megabytes * MB)
    return path


def endless_packed_header(path: Path, megabytes: int) -> Path:
    """Pack a header that goes on in blanks."""
    head = "".join(primary(16, (100, 100))).encode()
    return packed(path, [head, *repeated(b" " * MB, megabytes)])


def followed_by_zeros(path: Path, megabytes: int) -> Path:
    """Make a good frame with zeros behind it, sparse or packed by its name."""
    plain = write_frame(path.with_name("inner"), noise(9, (200, 300))).read_bytes()
    path.with_name("inner").unlink()
    if path.suffix == ".fits":
        path.write_bytes(plain)
        os.truncate(path, len(plain) + megabytes * MB)
        return path
    return packed(path, [plain, *repeated(bytes(MB), megabytes)])


def too_large(path: Path, side: int) -> Path:
    """Pack a frame that is really there, of zeros."""
    whole, rest = divmod(2 * side * side, MB)
    data = [*repeated(bytes(MB), whole), bytes(rest)]
    return packed(path, [blocks(*primary(16, (side, side))), *data])


def many_parts(path: Path, count: int) -> Path:
    """Pack extensions that hold nothing, without end."""
    empty = blocks(
        "XTENSION= 'BINTABLE'", *primary(8, (0, 0))[1:], card("PCOUNT", 0), card("GCOUNT", 1),
        card("TFIELDS", 0),
    )  # fmt: skip
    return packed(path, [blocks(*primary(8, ())), *repeated(empty, count)])


def skipped_bomb(path: Path, megabytes: int) -> Path:
    """Pack a table of nothing before the image."""
    table = blocks(
        "XTENSION= 'BINTABLE'", *primary(8, (MB, megabytes))[1:], card("PCOUNT", 0),
        card("GCOUNT", 1), card("TFIELDS", 0),
    )  # fmt: skip
    return packed(path, [blocks(*primary(8, ())), table, *repeated(bytes(MB), megabytes)])


def tiled(path: Path, **changes: object) -> Path:
    """Write a frame packed in tiles with some cards of its header changed in the file."""
    image = fits.CompImageHDU(
        noise(shape=(400, 400)), header_of({}), compression_type="GZIP_1", tile_shape=(400, 400)
    )
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    raw = bytearray(path.read_bytes())
    for keyword, value in changes.items():
        place = raw.find(f"{keyword:8}=".encode())
        raw[place : place + 80] = card(keyword, value).encode()
    path.write_bytes(raw)
    return path


def tile_bomb(path: Path, megabytes: int) -> Path:
    """Write a small image whose one tile unpacks to far more than the image."""
    with fits.open(tiled(path), disable_image_compression=True) as opened:
        header = opened[1].header.copy()
    packer = zlib.compressobj(6, zlib.DEFLATED, 31)
    tile = b"".join(packer.compress(bytes(MB)) for _ in range(megabytes)) + packer.flush()
    header["PCOUNT"] = len(tile)
    row = np.array([len(tile), 0], ">i4").tobytes().ljust(header["NAXIS1"], b"\0")
    body = row + tile
    first = fits.PrimaryHDU().header.tostring().encode()
    path.write_bytes(first + header.tostring().encode() + body + bytes(-len(body) % 2880))
    return path


def tiles_header(side: int, table_bytes: int, bitpix: int = 16, packing: str = "RICE_1") -> bytes:
    """Write the header of an image packed as one tile, whose table has so many bytes behind it."""
    return blocks(
        "XTENSION= 'BINTABLE'", *primary(8, (8, 1))[1:], card("PCOUNT", table_bytes),
        card("GCOUNT", 1),
        card("TFIELDS", 1), "TTYPE1  = 'COMPRESSED_DATA'", "TFORM1  = '1PB(9)'",
        card("ZIMAGE", "T"), f"ZCMPTYPE= '{packing}'", card("ZBITPIX", bitpix), card("ZNAXIS", 2),
        card("ZNAXIS1", side), card("ZNAXIS2", side), card("ZTILE1", side), card("ZTILE2", side),
    )  # fmt: skip


def tiles_of_zeros(path: Path, side: int) -> Path:
    """Pack a heap of zeros twice as long as the image its one tile would make."""
    heap = 2 * 8 * side * side // MB
    head = blocks(*primary(8, ())) + tiles_header(side, heap * MB - 8, 64)
    return packed(path, [head, *repeated(bytes(MB), heap)])
