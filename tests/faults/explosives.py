"""Files, small on disk, that would fill memory or time: a hundred sizes of some twenty makes."""

import os
import random
import zlib
from collections.abc import Callable
from pathlib import Path

from tests.ingest import bombs
from tests.ingest.bombs import (
    MB,
    blocks,
    card,
    image_extension,
    packed,
    primary,
    repeated,
    tiles_header,
)

Make = Callable[[Path, random.Random], Path]


def sparse(path: Path, rng: random.Random) -> Path:
    """Promise a giant frame, and be as long as that on a disk that stores no zeros."""
    bitpix, side = rng.choice((8, 16, -32, 64)), rng.choice((20_000, 33_000, 60_000))
    axes = (side, side, rng.choice((1, 3)))
    path.write_bytes(blocks(*primary(bitpix, axes)))
    os.truncate(path, 2880 + abs(bitpix) // 8 * side * side * axes[2])
    return path


def promise(path: Path, rng: random.Random) -> Path:
    """Promise a giant frame and hold nothing."""
    sizes = [rng.choice((1, 99, 65_535, 2**31, 10**12, 10**18)) for _ in range(rng.choice((2, 3)))]
    path.write_bytes(blocks(*primary(16, sizes), data=bytes(9000)))
    return path


def headers_of_blanks(path: Path, rng: random.Random) -> Path:
    """Pack images that look like amplifiers, with 3 MB of blank header each: gigabytes of them."""
    cards = image_extension(16, (20, 20), card("EXTVER", 1))
    filled = "".join(c.ljust(80) for c in cards).encode().ljust(3 * MB // 2880 * 2880)
    one = filled + blocks(data=bytes(800))
    return packed(path, [blocks(*primary(8, ())), *repeated(one, rng.choice((600, 990)))])


def headers_of_cards(path: Path, rng: random.Random) -> Path:
    """The same, with cards that the layout asks for."""
    cards = image_extension(16, (20, 20), card("EXTVER", 1))
    wanted = "".join(card(f"ZNAME{i}", i) for i in range(37_000))
    filled = ("".join(c.ljust(80) for c in cards) + wanted).encode()
    one = filled[: 3 * MB // 2880 * 2880] + blocks(data=bytes(800))
    return packed(path, [blocks(*primary(8, ())), *repeated(one, rng.choice((300, 600)))])


def one_deflated_tile(path: Path, rng: random.Random) -> Path:
    """Write one tile that is a whole frame of the largest size allowed, of zeros."""
    side, bitpix = rng.choice(((9000, 32), (15_800, 16), (15_800, 64)))
    packer, left = zlib.compressobj(6, zlib.DEFLATED, 31), side * side * bitpix // 8
    tile = b""
    while left:
        tile += packer.compress(bytes(min(MB, left)))
        left -= min(MB, left)
    tile += packer.flush()
    body = len(tile).to_bytes(4, "big") + bytes(4) + tile
    head = tiles_header(side, len(tile), bitpix, "GZIP_1")
    path.write_bytes(blocks(*primary(8, ())) + head + body + bytes(-len(body) % 2880))
    return path


def largest_cube(path: Path, rng: random.Random) -> Path:
    """Write three planes of the largest size allowed in 8-byte floats, on a disk without zeros."""
    side = 15_800
    path.write_bytes(blocks(*primary(-64, (side, side, 3))))
    os.truncate(path, 2880 + 8 * 3 * side * side + 2880)
    return path


def largest_packed(path: Path, rng: random.Random) -> Path:
    """Pack a frame of the largest size allowed, of zeros, in 8-byte numbers."""
    side = 15_800
    bytes_ = 8 * side * side
    head = blocks(*primary(rng.choice((64, -64)), (side, side)))
    return packed(path, [head, *repeated(bytes(MB), bytes_ // MB + 1)])


def many_amplifiers(path: Path, rng: random.Random) -> Path:
    """Write hundreds of amplifiers, each as large as a frame may be, on a disk without zeros."""
    side, count, at = 12_000, 200, 0
    with open(path, "wb") as file:
        at += file.write(blocks(*primary(8, ())))
        for i in range(count):
            section = f"DETSEC  = '[{side * i + 1}:{side * (i + 1)},1:{side}]'"
            file.seek(at)
            at += file.write(blocks(*image_extension(16, (side, side), section)))
            at += -(-2 * side * side // 2880) * 2880
    os.truncate(path, at)
    return path


def long_header(path: Path, rng: random.Random) -> Path:
    """Write a header of nearly 4 MB of what takes longest to read."""
    lines = rng.choice((
        [b"OBJECT  = 'a&'", *[b"CONTINUE  '" + b"''" * 30 + b"&'"] * 51_000],
        [b"OBJECT  = 'same'"] * 51_000,
        [b"HIERARCH " + b"A " * 30 + b"= 1"] * 51_000,
        [b"GAIN    = (" + b"1 " * 30 + b")"] * 51_000,
        [b"CRVAL1  = '" + b"' " * 30] * 51_000,
        [b"%-8d= 1E99999999" % i for i in range(51_000)],
        [b"NAXIS%03d= 1" % (i % 1000) for i in range(51_000)],
    ))  # fmt: skip
    head = b"".join(c.encode().ljust(80) for c in primary(16, (40, 30)))
    head += b"".join(line[:80].ljust(80) for line in lines) + b"END".ljust(80)
    head += b" " * (-len(head) % 2880)
    path.write_bytes(head + bytes(2880))
    return path


# name -> (suffix, how it is made); each is made in sizes and types its generator draws.
MAKES: dict[str, tuple[str, Make]] = {
    "sparse": (".fits", sparse),
    "promise": (".fits", promise),
    "endless": (".fits", lambda p, r: bombs.endless_header(p, r.choice((200, 3072)))),
    "endless packed": (".fits.gz", lambda p, r: bombs.endless_packed_header(p, 500)),
    "endless bzip2": (".fits.bz2", lambda p, r: bombs.endless_packed_header(p, 500)),
    "zeros behind": (".fits.gz", lambda p, r: bombs.followed_by_zeros(p, 500)),
    "too large": (".fits.gz", lambda p, r: bombs.too_large(p, 16_000)),
    "parts": (".fits.gz", lambda p, r: bombs.many_parts(p, 2000)),
    "skipped": (".fits.gz", lambda p, r: bombs.skipped_bomb(p, r.choice((200, 2000)))),
    "tile": (".fits.fz", lambda p, r: bombs.tile_bomb(p, r.choice((150, 500)))),
    "tile's promise": (
        ".fits.fz",
        lambda p, r: bombs.tiled(p, ZNAXIS1=15_000, ZNAXIS2=15_000, ZTILE1=15_000, ZTILE2=15_000),
    ),
    "heap": (".fits.fz", lambda p, r: bombs.tiled(p, PCOUNT=10 ** r.choice((8, 12)))),
    "tiles of zeros": (
        ".fits.fz.gz",
        lambda p, r: bombs.tiles_of_zeros(p, r.choice((4000, 15_000))),
    ),
    "one deflated tile": (".fits.fz", one_deflated_tile),
    "blank headers": (".fits.gz", headers_of_blanks),
    "full headers": (".fits.gz", headers_of_cards),
    "largest cube": (".fits", largest_cube),
    "largest packed": (".fits.gz", largest_packed),
    "amplifiers": (".fits", many_amplifiers),
    "long header": (".fits", long_header),
}


def make(folder: Path, name: str, number: int, seed: int) -> Path:
    """Make one bomb."""
    suffix, how = MAKES[name]
    rng = random.Random(f"{seed}/{name}/{number}")
    return how(folder / f"bomb_{number}_{name.replace(' ', '_')}{suffix}", rng)
