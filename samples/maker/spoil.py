"""Faults outside the optics: something in front of the telescope, a read-out gone wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Frame = NDArray[np.float32]
Picture = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Shade:
    """A tree, roof or dome edge before one side of the field; so near that its edge is soft."""

    from_deg: float  # the side it stands on, from +x towards +y
    cover: float  # share of the field's width behind it, 0 to 1
    soft: float = 0.12  # width of the edge over the field's
    sky_left: float = 0.45  # brightness of the obstacle itself against the open sky

    def leaves(self, x_px: Vector, y_px: Vector, shape: tuple[int, int]) -> Vector:
        """Give the share of starlight that gets past it at places of the frame."""
        cos, sin = math.cos(math.radians(self.from_deg)), math.sin(math.radians(self.from_deg))
        half_px = (abs(cos) * shape[1] + abs(sin) * shape[0]) / 2.0
        middle_x, middle_y = (shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0
        along = ((x_px - middle_x) * cos + (y_px - middle_y) * sin) / half_px
        edge = (along - (1.0 - 2.0 * self.cover)) / (self.soft / 2.0)
        return np.asarray(1.0 / (1.0 + np.exp(np.clip(edge, -40.0, 40.0))))

    def sky(self, shape: tuple[int, int]) -> Frame:
        """Give how bright the background is over the frame against an open sky."""
        y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
        left = self.leaves(x, y, shape)
        return (left + (1.0 - left) * self.sky_left).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Glitch:
    """What the read-out did to a frame.

    bands: groups of rows raised by `size` ADU; shifted: from some row on all rows slipped
    sideways by `size` px; repeated: a block of rows `size` high is written again and again below;
    half: nothing arrived after `size` (a share) of the rows.
    """

    kind: Literal["bands", "shifted", "repeated", "half"]
    size: float


def break_read_out(pixels: Picture, glitch: Glitch, rng: np.random.Generator) -> None:
    """Spoil a frame in place."""
    breakers = {"bands": _bands, "shifted": _shifted, "repeated": _repeated}
    if glitch.kind == "half":
        first = round(glitch.size * pixels.shape[0])
        pixels[first:] = 0
        return
    breakers[glitch.kind](pixels, glitch.size, rng)


def _bands(pixels: Picture, size: float, rng: np.random.Generator) -> None:
    row = int(rng.integers(10, 60))
    while row < pixels.shape[0]:
        high = int(rng.integers(6, 40))
        raised = pixels[row : row + high].astype(np.float64) + size * rng.uniform(0.5, 1.5)
        pixels[row : row + high] = np.clip(raised, 0, 65535).astype(np.uint16)
        row += high + int(rng.integers(20, 90))


def _shifted(pixels: Picture, size: float, rng: np.random.Generator) -> None:
    first = int(rng.uniform(0.2, 0.6) * pixels.shape[0])
    pixels[first:] = np.roll(pixels[first:], round(size), axis=1)


def _repeated(pixels: Picture, size: float, rng: np.random.Generator) -> None:
    high = max(1, round(size))
    first = int(rng.uniform(0.2, 0.6) * pixels.shape[0])
    block = pixels[first : first + high].copy()
    for row in range(first, pixels.shape[0], high):
        pixels[row : row + high] = block[: pixels.shape[0] - row]
