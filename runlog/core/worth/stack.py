"""Depth and width of the picture that registered frames add up to.

A frame brings s electrons of one and the same star on a sky of variance v. The picture sum(w_i
frame_i) has the depth sum(w s) / sqrt(sum(w^2 v)) and stars of the profile sum(w s PSF). With equal
weights (the frames added, or averaged, as they are) one more of depth s, v deepens it only where
s > S (sqrt(1 + v / V) - 1): about half of what the picture has of light for its variance (the half
rule). With w = s / v, which is best for the depth, it always does: the depth is sqrt(sum(s^2 / v)).
Both follow from how independent variances add; the sky is taken to be all the noise, as in the
effective time. Stars are round Moffats: what draws them out is not in the width.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
STEPS = 100  # far more than the search for a radius ever takes
TOLERANCE = 1e-13


class Weights(StrEnum):
    """How the frames of a picture are weighed."""

    EQUAL = "equal"
    BEST = "best"  # inverse variance: s / v


class Part(NamedTuple):
    """What one frame brings."""

    signal_e: float  # t T, electrons of a star that gives one ADU a second in the base of light
    variance_e2: float  # t v, of the sky, a square arc second (pixel where the scale is unknown)
    fwhm: float  # arc seconds, or pixels; the same for all of a picture
    beta: float | None = None  # Moffat index; None where no profile is known


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of frames: its depth, and how wide its stars are."""

    frames: int
    depth: float  # light of that star over the noise of a square arc second
    fwhm: float | None  # None where no frame of it has a profile


NOTHING = Picture(0, 0.0, None)


def half_rule_e(signal_e: float, variance_e2: float, own_e2: float) -> float:
    """Give the light above which one more frame deepens a picture of equal weights.

    S (sqrt(1 + v / V) - 1), in the unit of `signal_e`; S and V are the picture's, v the frame's.
    """
    return float(signal_e * (np.sqrt(1 + own_e2 / variance_e2) - 1))


def weights_of(parts: Sequence[Part], weights: Weights) -> Floats:
    """Give the weight of each frame, (n,); their scale means nothing."""
    if weights is Weights.EQUAL:
        return np.ones(len(parts))
    return np.array([part.signal_e / part.variance_e2 for part in parts])


def picture_of(parts: Sequence[Part], weights: Weights = Weights.EQUAL) -> Picture:
    """Lay frames on one another."""
    if not parts:
        return NOTHING
    each = weights_of(parts, weights)
    signal = each * np.array([part.signal_e for part in parts])
    noise2 = each**2 @ np.array([part.variance_e2 for part in parts])
    return Picture(len(parts), float(signal.sum() / np.sqrt(noise2)), _width(parts, signal))


def _width(parts: Sequence[Part], light: Floats) -> float | None:
    known = [n for n, part in enumerate(parts) if part.beta is not None]
    if not known:
        return None
    fwhm = np.array([parts[n].fwhm for n in known])
    beta = np.array([parts[n].beta for n in known], dtype=np.float64)
    return width_of_sum(light[known], fwhm, beta)


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
