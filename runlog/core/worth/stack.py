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
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache
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
    """Frames laid on one another."""

    parts: Sequence[Part]
    weights: Weights = Weights.EQUAL

    @property
    def frames(self) -> int:
        """Count the frames."""
        return len(self.parts)

    @cached_property
    def depth(self) -> float:
        """Light of a star over the noise of a square arc second: the depth of faint surfaces."""
        each = weights_of(self.parts, self.weights)
        noise2 = each**2 @ np.array([part.variance_adu2 for part in self.parts])
        return float(self._light.sum() / np.sqrt(noise2))

    @cached_property
    def star_depth(self) -> float | None:
        """Light of a star over its noise, measured by its profile; None where none is known."""
        if not self._shaped:
            return None
        light = self._light[self._shaped]
        each = np.array([_profile(self.parts[n].fwhm, self._beta(n)) for n in self._shaped])
        profile = light @ each / light.sum()
        return self.depth * float(np.sqrt(profile**2 @ AREA))

    @cached_property
    def fwhm(self) -> float | None:
        """Width of its stars; None where no frame of it has a profile."""
        if not self._shaped:
            return None
        fwhm = np.array([self.parts[n].fwhm for n in self._shaped])
        beta = np.array([self._beta(n) for n in self._shaped])
        return width_of_sum(self._light[self._shaped], fwhm, beta)

    @cached_property
    def _light(self) -> Floats:
        signal = np.array([part.signal_adu for part in self.parts])
        return np.asarray(weights_of(self.parts, self.weights) * signal)

    @cached_property
    def _shaped(self) -> list[int]:
        return [n for n, part in enumerate(self.parts) if part.beta is not None]

    def _beta(self, n: int) -> float:
        return self.parts[n].beta or 0.0


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


def weights_of(parts: Sequence[Part], weights: Weights) -> Floats:
    """Give the weight of each frame, (n,); their scale means nothing."""
    if weights is Weights.EQUAL:
        return np.ones(len(parts))
    return np.array([part.signal_adu / part.variance_adu2 for part in parts])


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
