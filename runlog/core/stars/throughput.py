"""Light of the same stars in two frames, per second."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runlog.core.frame import StarList
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.stars.match import Match
from runlog.core.stars.neighbours import F64

Mask = npt.NDArray[np.bool_]

FEWEST_FLUXES = 8
FAINTEST_LISTED = 2.0  # times: fainter stars are listed only when noise is kind to them
OWN_SCATTER = 0.01  # of a star's flux ratio beyond sky noise: flat field, thin cloud, variables
SHARED_DOUBT = 0.004  # of all ratios alike: the share of light the apertures hold
TUKEY = 4.685  # typical errors at which a star counts no more: 95 % efficient on normal noise
ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Throughput:
    """Light of the same stars per second, over the reference's."""

    ratio: float
    ratio_err: float
    stars: int


def throughput(
    reference: StarList,
    other: StarList,
    match: Match,
    *,
    reference_exposure_s: float,
    exposure_s: float,
    clipped: int = 0,
) -> Throughput | None:
    """
    Return the flux ratio of matched stars per second of exposure.

    The middle of the stars' ratios, as a median is, but each star counts by what its noise
    lets it say, and stars far off count nothing (variables, neighbours' light).

    Parameters
    ----------
    reference, other : StarList
        Total fluxes in ADU, brightest first.
    match : Match
    reference_exposure_s, exposure_s : float
    clipped : int
        How many of the brightest stars of either frame are clipped; they are left out as long
        as enough others remain, their flux being only a lower bound.

    Returns
    -------
    Throughput or None
        None when no pair has a positive flux or an exposure is not positive.

    References
    ----------
    Weights: Beaton and Tukey 1974, Technometrics 16, 147, in `robust_ratio`.
    """
    if reference_exposure_s <= 0 or exposure_s <= 0 or not match.pairs:
        return None
    pairs = np.array(match.pairs)
    unclipped = pairs[(pairs >= clipped).all(axis=1)]
    pairs = unclipped if len(unclipped) >= FEWEST_FLUXES else pairs
    here = np.array(reference.flux_adu)[pairs[:, 0]] / reference_exposure_s
    there = np.array(other.flux_adu)[pairs[:, 1]] / exposure_s
    good = (here > 0) & (there > 0)
    if not good.any():
        return None
    here, there = here[good], there[good]
    faintest = (
        min(reference.flux_adu) / reference_exposure_s,
        min(other.flux_adu) / exposure_s,
    )
    bright = surely_listed(here, there, *faintest)
    return robust_ratio(here[bright], there[bright])


def surely_listed(here: F64, there: F64, faintest_here: float, faintest_there: float) -> Mask:
    """
    Which pairs are bright enough to be in both lists whatever the noise did to them.

    Faint stars are matched only when noise made them brighter; the choice is made by the
    reference's flux alone, for by the other's it would favour the same stars again.
    """
    rank = np.argsort(np.argsort(-here))
    ratio = float(np.median((there / here)[rank < FEWEST_FLUXES]))
    limit = FAINTEST_LISTED * max(faintest_here, faintest_there / ratio)
    return np.asarray((here > limit) | (rank < FEWEST_FLUXES))


def robust_ratio(here: F64, there: F64) -> Throughput:
    """
    Fit there = ratio x here, each star weighed by its noise and cut off when far from the rest.

    The noise of a star is that of its sky, the same for all stars of a frame and taken from
    the scatter about the fit, and a share of its flux. Weights fall off as Tukey's biweight
    (Beaton and Tukey 1974, Technometrics 16, 147), found by repeated least squares.

    Parameters
    ----------
    here, there : ndarray, shape (n,)
        Positive fluxes of the same stars in the reference and in the other frame.
    """
    ratio = float(np.median(there / here))
    sigma = weight = np.ones(len(here))
    for _ in range(ROUNDS):
        miss = there - ratio * here
        sigma = np.hypot(MAD_TO_SIGMA * np.median(np.abs(miss)), OWN_SCATTER * ratio * here)
        weight = np.maximum(1 - (miss / (TUKEY * sigma)) ** 2, 0) ** 2 / sigma**2
        ratio = float(weight @ (here * there) / (weight @ here**2))
    power = float(weight @ here**2)
    scatter = float(np.sqrt((weight * sigma) ** 2 @ here**2)) / power
    return Throughput(
        ratio, float(np.hypot(scatter, SHARED_DOUBT * ratio)), int(np.count_nonzero(weight))
    )
