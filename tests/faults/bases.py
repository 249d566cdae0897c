"""The good files that are mutated: one of each way an image is written."""

import bz2
import gzip
import io
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from astropy.io import fits

from tests.tools import header_of, noise

SHAPE = (72, 96)
BLOCK = 2880
# A rig, target and filter of their own: whatever becomes of a mutated file, the good ones' totals
# are told apart from its.
ODD = {"OBJECT": "NGC 7000", "FILTER": "Ha", "INSTRUME": "DuoCam 4", "TELESCOP": "Wasp 200/800"}
PACKINGS = ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1")


@dataclass(frozen=True, slots=True)
class Base:
    """The bytes of a good file, the suffix it goes by, and where its first data begin."""

    name: str
    suffix: str
    data: bytes
    data_at: int = 0


def sky(seed: int, shape: tuple[int, int] = SHAPE) -> np.ndarray[Any, Any]:
    """Draw noise with a dozen round stars of 3 px."""
    pixels = noise(seed, shape).astype(float)
    rng = np.random.default_rng(seed)
    y, x = np.indices(shape)
    for _ in range(12):
        cy, cx = rng.uniform(8, shape[0] - 8), rng.uniform(8, shape[1] - 8)
        pixels += rng.uniform(1e3, 2e4) * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / 3.2)
    return pixels.round().astype(np.uint16)


def cards(seed: int, **more: Any) -> fits.Header:
    """Make a header of the odd rig; each seed is an exposure of its own."""
    start = f"2026-10-{10 + seed % 15:02d}T{seed // 60 % 4:02d}:{seed % 60:02d}:00"
    return header_of({**ODD, "DATE-OBS": start, "EXPTIME": 120.0, **more})


def written(hdus: fits.HDUList) -> bytes:
    """Write FITS into memory."""
    room = io.BytesIO()
    hdus.writeto(room)
    return room.getvalue()


def _first_data(data: bytes, units: int = 1) -> int:
    """Find where the data of a unit begin: behind the block that holds its END."""
    at = 0
    for _ in range(units):
        found = next(i for i in range(at, len(data), 80) if data[i : i + 80] == b"END".ljust(80))
        at = (found // BLOCK + 1) * BLOCK
    return at


def plain(seed: int, dtype: str = "u2") -> Base:
    """Write a plain image of some type."""
    data = written(fits.HDUList([fits.PrimaryHDU(sky(seed).astype(dtype), cards(seed))]))
    return Base(f"plain {dtype}", ".fits", data, _first_data(data))


def cube(seed: int) -> Base:
    """Write a colour image of three planes."""
    planes = np.stack([sky(seed + i) for i in range(3)])
    data = written(fits.HDUList([fits.PrimaryHDU(planes, cards(seed))]))
    return Base("three planes", ".fits", data, _first_data(data))


def extension(seed: int) -> Base:
    """Write an image in an extension."""
    image = fits.ImageHDU(sky(seed), cards(seed))
    data = written(fits.HDUList([fits.PrimaryHDU(), image]))
    return Base("extension", ".fits", data, _first_data(data, 2))


def amplifiers(seed: int) -> Base:
    """Write two amplifiers side by side, each with eight columns of overscan."""
    whole, images = sky(seed, (64, 96)), [fits.PrimaryHDU(header=cards(seed))]
    for i in range(2):
        part = np.full((64, 56), 500, np.uint16)
        part[:, :48] = whole[:, 48 * i : 48 * (i + 1)]
        image = fits.ImageHDU(part, name=f"AMP{i + 1}")
        image.header["DETSEC"] = f"[{48 * i + 1}:{48 * (i + 1)},1:64]"
        image.header["DATASEC"] = "[1:48,1:64]"
        image.header["BIASSEC"] = "[49:56,1:64]"
        images.append(image)
    data = written(fits.HDUList(images))
    return Base("amplifiers", ".fits", data, _first_data(data, 2))


def squeezed(seed: int, packing: str = "gzip") -> Base:
    """Pack a plain file as a whole."""
    pack, suffix = {"gzip": (gzip.compress, ".gz"), "bzip2": (bz2.compress, ".bz2")}[packing]
    return Base(packing, f".fits{suffix}", pack(plain(seed).data))


@cache
def tiles(seed: int, packing: str, dtype: str = "u2") -> Base:
    """Pack an image in tiles."""
    pixels = sky(seed).astype("i2" if packing == "PLIO_1" else dtype)
    tile = (24, 32) if packing == "HCOMPRESS_1" else (8, SHAPE[1])
    more = {"quantize_level": 16} if dtype == "f4" else {}
    image = fits.CompImageHDU(
        pixels, cards(seed), compression_type=packing, tile_shape=tile, **more
    )
    data = written(fits.HDUList([fits.PrimaryHDU(), image]))
    return Base(f"{packing} {dtype}", ".fits.fz", data, _first_data(data, 2))


def of_tiles(seed: int) -> Base:
    """Choose a packing by the seed."""
    packing = PACKINGS[seed % len(PACKINGS)]
    floats = packing in ("RICE_1", "GZIP_1") and seed % 10 >= len(PACKINGS)
    return tiles(seed, packing, "f4" if floats else "u2")


def of_any(seed: int) -> Base:
    """Choose one of every way an image is written that is not packed as a whole."""
    ways = (
        plain, cube, extension, amplifiers, of_tiles,
        lambda s: plain(s, "f4"), lambda s: plain(s, "i4"), lambda s: plain(s, "f8"),
    )  # fmt: skip
    return ways[seed % len(ways)](seed)
