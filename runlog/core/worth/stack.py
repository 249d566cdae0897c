"""Depth and width of the picture that registered frames add up to.

A frame brings s ADU of one and the same star on a sky of variance v. The picture sum(w_i
frame_i) has the depth sum(w s) / sqrt(sum(w^2 v)) and stars of the profile sum(w s PSF). With equal
weights (the frames added, or averaged, as they are) one more of depth s, v deepens it only where
s > S (sqrt(1 + v / V) - 1): about half of what the picture has of light for its variance (the half
rule). With w = s / v, which is best for the depth, it always does: the depth is sqrt(sum(s^2 / v)).
Both follow from how independent variances add; the sky is taken to be all the noise, as in the
effective time. Stars are round Moffats: what draws them out is not in the width.

A star is measured best by its own profile P, to the depth sum(w s) sqrt(int P^2) / sqrt(sum(w^2
v)): 1 / int P^2 is the noise-equivalent area (King 1983, PASP 95, 163; from memory). A very wide
frame hardly moves the half maximum, and yet takes light out of it: the width alone says too little.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property, lru_cache
from math import sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
STEPS = 100  # far more than the search for a radius ever takes
TOLERANCE = 1e-13
# Radii for integrals over a profile, from the middle to infinity: r = u / (1 - u) arc seconds.
_U, _D_U = np.polynomial.legendre.leggauss(128)
_U, _D_U = (1 + _U) / 2, _D_U / 2
RADIUS = 3.0 * _U / (1 - _U)
AREA = 2 * np.pi * RADIUS * 3.0 * _D_U / (1 - _U) ** 2


class Weights(StrEnum):
    """How the frames of a picture are weighed."""

    EQUAL = "equal"
    BEST = "best"  # inverse variance: s / v


class Part(NamedTuple):
    """What one frame brings."""

    signal_adu: float  # t T, of a star that gives one ADU a second in the base
    variance_adu2: float  # of the sky, a square arc second (a pixel where the scale is unknown)
    fwhm: float  # arc seconds, or pixels; the same for all of a picture
    beta: float | None = None  # Moffat index; None where no profile is known


@dataclass(frozen=True)
class Picture:
    """Frames laid on one another, as sums: one more or one less takes no look at all the others."""

    weights: Weights
    frames: int = 0
    light: float = 0.0  # sum of w s
    noise2: float = 0.0  # sum of w^2 v
    profile: Floats = field(default_factory=lambda: np.zeros(len(RADIUS)))  # at RADIUS
    shaped: Floats = field(default_factory=lambda: np.empty((3, 0)))  # w s, FWHM, beta by frame

    @property
    def depth(self) -> float:
        """Light of a star over the noise of a square arc second: the depth of faint surfaces."""
        return self.light / sqrt(self.noise2)

    @cached_property
    def star_depth(self) -> float | None:
        """Light of a star over its noise, measured by its profile; None where none is known."""
        light = float(self.shaped[0].sum())
        return self.depth * sqrt(float(self.profile**2 @ AREA)) / light if light > 0 else None

    @cached_property
    def fwhm(self) -> float | None:
        """Width of its stars; None where no frame of it has a profile."""
        return width_of_sum(*self.shaped) if self.shaped.size else None

    def plus(self, part: Part) -> "Picture":
        """Lay one frame more on it."""
        return self._changed(part, 1)

    def minus(self, part: Part) -> "Picture":
        """Take one of its frames away."""
        return self._changed(part, -1)

    def _changed(self, part: Part, by: int) -> "Picture":
        weight = weight_of(part, self.weights)
        light, shaped, profile = weight * part.signal_adu, self.shaped, self.profile
        if part.beta is not None:
            profile = profile + by * light * _profile(part.fwhm, part.beta)
            shaped = _columns(shaped, (light, part.fwhm, part.beta), by)
        noise2 = self.noise2 + by * weight**2 * part.variance_adu2
        return Picture(
            self.weights, self.frames + by, self.light + by * light, noise2, profile, shaped
        )


def picture_of(parts: Sequence[Part], weights: Weights = Weights.EQUAL) -> Picture:
    """Lay frames on one another."""
    weight = np.array([weight_of(part, weights) for part in parts])
    signal = np.array([part.signal_adu for part in parts])
    variance = np.array([part.variance_adu2 for part in parts])
    known = [(n, p.fwhm, p.beta) for n, p in enumerate(parts) if p.beta is not None]
    light = weight * signal
    shaped = np.array([(light[n], fwhm, beta) for n, fwhm, beta in known]).reshape(-1, 3).T
    profile = np.zeros(len(RADIUS))
    for n, fwhm, beta in known:
        profile += light[n] * _profile(fwhm, beta)
    noise2 = float((weight**2 * variance).sum())
    return Picture(weights, len(parts), float(light.sum()), noise2, profile, shaped)


def _columns(shaped: Floats, column: tuple[float, float, float], by: int) -> Floats:
    """Add a frame's column, or take away the first that is alike."""
    own = np.array(column)[:, None]
    if by > 0:
        return np.hstack([shaped, own])
    return np.delete(shaped, int(np.flatnonzero((shaped == own).all(axis=0))[0]), axis=1)


@lru_cache(maxsize=20000)
def _profile(fwhm: float, beta: float) -> Floats:
    """Give a round Moffat of light 1 at RADIUS."""
    scale2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    height = (beta - 1) / (np.pi * scale2)
    return np.asarray(height * (1 + RADIUS**2 / scale2) ** -beta)


def half_rule(signal_adu: float, variance_adu2: float, own_adu2: float) -> float:
    """Give the light above which one more frame deepens a picture of equal weights.

    S (sqrt(1 + v / V) - 1), in the unit of `signal_adu`; S and V are the picture's, v the frame's.
    """
    return float(signal_adu * (np.sqrt(1 + own_adu2 / variance_adu2) - 1))


def weight_of(part: Part, weights: Weights) -> float:
    """Give the weight of a frame; the scale of weights means nothing."""
    return 1.0 if weights is Weights.EQUAL else part.signal_adu / part.variance_adu2


def width_of_sum(light: Floats, fwhm: Floats, beta: Floats) -> float:
    """Find the full width at half maximum of a sum of round Moffats.

    Parameters
    ----------
    light : (n,) array
        Light of each, in any unit.
    fwhm : (n,) array
        Their widths.
    beta : (n,) array
        Their indices, above 1.

    Returns
    -------
    float
        Twice the radius where the sum is half of its middle, to 1e-12 of it: it is between the
        narrowest and the widest half radius, for there all are above or below their halves.

    """
    scale2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    height = light * (beta - 1) / scale2  # of a Moffat with so much light, over pi
    low, high = float(fwhm.min()) / 2, float(fwhm.max()) / 2
    half, radius = height.sum() / 2, (low + high) / 2
    for _ in range(STEPS):
        base = 1 + radius**2 / scale2
        value = height * base**-beta
        over = value.sum() - half
        low, high = (radius, high) if over > 0 else (low, radius)
        step = over / (2 * radius * (beta * value / (base * scale2)).sum())
        after = radius + step  # Newton; halving where that leads out
        after = after if low <= after <= high else (low + high) / 2
        if abs(after - radius) <= TOLERANCE * radius:
            break
        radius = after
    return 2 * float(after)
