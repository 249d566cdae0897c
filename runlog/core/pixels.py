"""What a worker brings back of one file: its pixels' key, numbers, and a picture for the eye."""

from dataclasses import dataclass

from runlog.core.frame import NOT_MEASURED, Card, Measurement, Shape


@dataclass(frozen=True, slots=True)
class SmallImage:
    """An image at one byte a pixel, finest near the sky: see `runlog.ingest.preview`."""

    width: int
    height: int
    zero_adu: float  # the sky
    soft_adu: float  # where the scale bends from linear to logarithmic
    levels: float  # codes per e-fold
    packed: bytes


@dataclass(frozen=True, slots=True)
class Preview:
    """A light frame for the eye: shrunk to fit a screen, with cut-outs at full resolution."""

    shrink: int  # pixels of the frame per pixel of the image, along each side
    image: SmallImage
    cutouts: SmallImage  # squares one above another, in the order of `corners`
    corners: tuple[tuple[int, int], ...]  # x, y of each cut-out's first pixel in the frame


@dataclass(frozen=True, slots=True)
class ReadFrame:
    """What one file gave: pixels' key, header as written, and what was measured."""

    content_key: str
    cards: tuple[Card, ...]
    shape: Shape
    measurement: Measurement = NOT_MEASURED  # before, or not to be
    preview: Preview | None = None  # None when not a light, or measured before
