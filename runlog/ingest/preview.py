"""Previews: a light frame for the eye, shrunk, with star cut-outs, in about 40 KB."""

import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np

from runlog.core.frame import StarList
from runlog.core.medians import median_of_rows
from runlog.core.pixels import Preview, SmallImage
from runlog.core.robust import MAD_TO_SIGMA

Array = np.ndarray[Any, Any]

IMAGE_PIXELS = 90_000  # three times what a 160 x 48 terminal shows, so two zooms stay sharp
IMAGE_BYTES = 31_000
CUTOUT_BYTES = 9_000
CUTOUT_PX = 32
SKY_CODE = 40  # leaves room for pixels darker than the sky
STEPS_PER_NOISE = 1.5  # coarser than the noise is what keeps a frame small; the eye sees no step
SOFT_NOISES = 10.0
COARSER = 0.75
REACH = 0.1  # how far from its place a cut-out may go to find a star, in frame sizes

# Along both diagonals: corner, half way, centre, half way, corner (the centre once).
PLACES = (
    (0.03, 0.03), (0.27, 0.27), (0.5, 0.5), (0.73, 0.73), (0.97, 0.97),
    (0.03, 0.97), (0.27, 0.73), (0.73, 0.27), (0.97, 0.03),
)  # fmt: skip


def make_preview(pixels: Array, stars: StarList, *, mosaic: bool = False) -> Preview:
    """Shrink a frame and cut its stars out.

    Parameters
    ----------
    pixels : (h, w) or (3, h, w), any real type, in ADU.
    stars : brightest first; where they are decides what is cut out.
    mosaic : the pixels lie under a colour mosaic, so only even shrinking mixes its colours.
    """
    shrink = shrink_factor(pixels.shape[-2:], mosaic)
    corners = _corners(pixels.shape[-2:], stars)
    side = min(CUTOUT_PX, *pixels.shape[-2:])
    cuts = np.concatenate([_cut(pixels, x, y, side, mosaic) for x, y in corners])
    return Preview(
        shrink,
        pack(shrunk(pixels, shrink), IMAGE_BYTES),
        pack(cuts, CUTOUT_BYTES),
        corners,
    )


def shrink_factor(size: Sequence[int], mosaic: bool) -> int:
    """Tell by how much a frame of a size is shrunk: alike for all frames of one size."""
    shrink = max(1, int(np.ceil(np.sqrt(size[0] * size[1] / IMAGE_PIXELS))))
    return shrink + shrink % 2 if mosaic else shrink


def shrunk(pixels: Array, shrink: int) -> Array:
    """Average squares of `shrink` pixels, and colour planes into one; edges that do not fit go."""
    if pixels.ndim == 3:
        planes = np.stack([shrunk(plane, shrink) for plane in pixels])
        return np.asarray(planes.mean(axis=0))
    high, wide = (max(n // shrink, 1) for n in pixels.shape)
    cropped = pixels[: high * shrink, : wide * shrink]
    down, over = (min(shrink, n) for n in pixels.shape)
    # rows first: sums of whole rows are vector sums, and a square of integers is summed exactly
    lines = np.add.reduce(cropped.reshape(high, down, -1), axis=1, dtype=np.float32)
    means: Array = lines.reshape(high, wide, over).sum(axis=2) / np.float32(down * over)
    return means


def _cut(pixels: Array, x: int, y: int, side: int, mosaic: bool) -> Array:
    cut: Array = pixels[..., y : y + side, x : x + side].astype(np.float32)
    if cut.ndim == 3:
        cut = cut.mean(axis=0)
    if mosaic:  # a 2 x 2 mean holds one of each colour wherever it starts
        padded = np.pad(cut, ((0, 1), (0, 1)), mode="edge")
        cut = (padded[:-1, :-1] + padded[1:, :-1] + padded[:-1, 1:] + padded[1:, 1:]) / 4
    return cut


def _corners(size: Sequence[int], stars: StarList) -> tuple[tuple[int, int], ...]:
    """Choose the first pixel of each cut-out: a star near its place is put in the middle."""
    high, wide = size
    side = min(CUTOUT_PX, high, wide)
    found = []
    for across, up in PLACES:
        x, y = _star_near(across * wide, up * high, REACH * max(high, wide), stars)
        left = min(max(round(x) - side // 2, 0), wide - side)
        low = min(max(round(y) - side // 2, 0), high - side)
        found.append((left, low))
    return tuple(found)


def _star_near(x: float, y: float, reach: float, stars: StarList) -> tuple[float, float]:
    """Find the brightest star within reach; the very brightest of all may be burnt out."""
    skip = len(stars.x) // 20
    dx = np.asarray(stars.x[skip:]) - x
    dy = np.asarray(stars.y[skip:]) - y
    near = np.flatnonzero(dx**2 + dy**2 <= reach**2)
    if not near.size:
        return x, y
    return x + float(dx[near[0]]), y + float(dy[near[0]])


# --- one byte a pixel -----------------------------------------------------------------------


def pack(image: Array, most_bytes: int) -> SmallImage:
    """Code an image on a scale linear near the sky and logarithmic above, and compress it.

    code = 40 + levels * asinh((adu - zero) / soft), with `zero` the median and `soft` ten times
    the noise. Steps grow until the result fits `most_bytes`.

    Parameters
    ----------
    image : (h, w) float32 in ADU; pixels that are not finite become sky.
    """
    finite = np.isfinite(image)
    zero = float(median_of_rows(image[finite])) if finite.any() else 0.0
    image = np.where(finite, image, zero)
    soft = SOFT_NOISES * _noise(image)
    levels = STEPS_PER_NOISE * SOFT_NOISES
    stretched = np.arcsinh((image - zero) / soft)
    while True:
        codes = np.clip(np.rint(SKY_CODE + levels * stretched), 0, 255).astype(np.uint8)
        packed = compressed(codes.tobytes(), most_bytes)
        if len(packed) <= most_bytes:
            return SmallImage(codes.shape[1], codes.shape[0], zero, soft, levels, packed)
        levels *= COARSER


def compressed(codes: bytes, most_bytes: int) -> bytes:
    """
    Compress by how often values occur; by what repeats too where that is not small enough.

    Noise repeats nothing: looking for it makes such a picture 15 % larger and takes fifty times
    as long. Smooth pictures do repeat.
    """
    coder = zlib.compressobj(9, strategy=zlib.Z_RLE)
    packed = coder.compress(codes) + coder.flush()
    return packed if len(packed) <= most_bytes else min(packed, zlib.compress(codes), key=len)


def _noise(image: Array) -> float:
    """Robust noise from neighbours' differences; never zero."""
    steps = np.diff(image, axis=1)
    if not steps.size:
        return 1.0
    found = MAD_TO_SIGMA * float(median_of_rows(np.abs(steps).ravel())) / 2**0.5
    return max(found, 1e-3)


def unpack(small: SmallImage) -> Array:
    """Undo `pack`: (h, w) float32 in ADU, to within half a step."""
    stretched = (codes_of(small).astype(np.float32) - SKY_CODE) / small.levels
    image: Array = np.sinh(stretched) * small.soft_adu + small.zero_adu
    return image.astype(np.float32)


def codes_of(small: SmallImage) -> Array:
    """Give the codes themselves, (h, w) uint8: already bent so that faint and bright show."""
    codes = np.frombuffer(zlib.decompress(small.packed), dtype=np.uint8)
    return codes.reshape(small.height, small.width)
