"""Flats, shrunk as lights are, so that the shadows on both can be laid on each other."""

import numpy as np

from runlog.core.pixels import Preview, SmallImage
from runlog.ingest.preview import IMAGE_BYTES, SKY_CODE, Array, compressed, shrink_factor, shrunk

CODES = 255
# So far beyond the range of the values that the stored curve is a straight line.
STRAIGHT = 1e4
COARSER = 1.5


def make_flat_preview(pixels: Array, *, mosaic: bool = False) -> Preview:
    """Shrink a flat; gives a preview without cut-outs, to within half of a step of its range / 255.

    Parameters
    ----------
    pixels : (h, w) or (3, h, w), any real type, in ADU.
    mosaic : the pixels lie under a colour mosaic, so only even shrinking mixes its colours.
    """
    shrink = shrink_factor(pixels.shape[-2:], mosaic)
    return Preview(shrink, _packed(shrunk(pixels, shrink)), _nothing(), ())


def _packed(image: Array) -> SmallImage:
    """Code an image evenly over its own range; lights keep their steps for the faint."""
    finite = np.isfinite(image)
    middle = float(np.median(image[finite])) if finite.any() else 0.0
    image = np.where(finite, image, middle)
    low, high = float(image.min()), float(image.max())
    step = max((high - low) / CODES, 1e-3)
    while True:
        codes = np.clip(np.rint((image - low) / step), 0, CODES).astype(np.uint8)
        packed = compressed(codes.tobytes(), IMAGE_BYTES)
        if len(packed) <= IMAGE_BYTES or step > high - low:
            soft = STRAIGHT * CODES * step
            zero = low + SKY_CODE * step
            return SmallImage(codes.shape[1], codes.shape[0], zero, soft, soft / step, packed)
        step *= COARSER


def _nothing() -> SmallImage:
    return SmallImage(0, 0, 0.0, 1.0, 1.0, compressed(b"", IMAGE_BYTES))
