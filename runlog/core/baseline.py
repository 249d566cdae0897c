"""What is normal for a run, found so that a bad half of the night cannot drag it along."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from runlog.core.frame import RunFrame

# The good quarter: with half of the frames bad it still lies among the good ones.
GOOD_LOW = 0.25
GOOD_HIGH = 0.75
ENOUGH = 3  # frames to compare with


@dataclass(frozen=True, slots=True)
class Normal:
    """A run's usual values for frames of one group; None where too few frames tell."""

    frames: int
    fwhm_px: float | None = None
    eccentricity: float | None = None
    shape_ratio: float | None = None  # half-flux radius over FWHM
    stars: float | None = None
    flux_adu_s: float | None = None
    sky_adu_s: float | None = None  # pedestal removed
    sky_darkest_adu: float | None = None  # median level, for wording
    noise_adu: float | None = None
    clipped_stars: float | None = None


def low(values: Iterable[float | None]) -> float | None:
    """Take the value a quarter of the way up: normal, where trouble means more."""
    return _quantile(values, GOOD_LOW)


def high(values: Iterable[float | None]) -> float | None:
    """Take the value three quarters of the way up: normal, where trouble means less."""
    return _quantile(values, GOOD_HIGH)


def _quantile(values: Iterable[float | None], share: float) -> float | None:
    known = [value for value in values if value is not None and np.isfinite(value)]
    return float(np.quantile(known, share)) if len(known) >= ENOUGH else None


def sky_rate(frame: RunFrame) -> float | None:
    """Sky in ADU per second with the pedestal removed; None when the pedestal is unknown."""
    if frame.background_adu is None or frame.pedestal_adu is None or not frame.exposure_s:
        return None
    return max(frame.background_adu - frame.pedestal_adu, 0.0) / frame.exposure_s


def shape_ratio(frame: RunFrame) -> float | None:
    """Half-flux radius over FWHM: 0.5 for a Gaussian, more for wings, rings and discs."""
    if not frame.hfr_px or not frame.fwhm_px:
        return None
    return frame.hfr_px / frame.fwhm_px


def shape_group(frame: RunFrame) -> tuple[object, ...]:
    """Frames whose star shapes compare: filters differ in focus, binning in sampling."""
    return (frame.filter, frame.binning)


def light_group(frame: RunFrame) -> tuple[object, ...]:
    """Frames whose star counts, fluxes and sky compare: same field through the same filter."""
    return (frame.target, frame.filter, frame.exposure_s, frame.binning, frame.gain)


def normals(
    frames: Sequence[RunFrame], group: Callable[[RunFrame], tuple[object, ...]]
) -> dict[tuple[object, ...], Normal]:
    """Find what is normal for each group of a run."""
    groups: dict[tuple[object, ...], list[RunFrame]] = {}
    for frame in frames:
        groups.setdefault(group(frame), []).append(frame)
    return {key: normal_of(members) for key, members in groups.items()}


def normal_of(frames: Sequence[RunFrame]) -> Normal:
    """Find what is normal among frames that compare with one another."""
    return Normal(
        frames=len(frames),
        fwhm_px=low(f.fwhm_px for f in frames),
        eccentricity=low(f.eccentricity for f in frames),
        shape_ratio=low(shape_ratio(f) for f in frames),
        stars=high(f.stars for f in frames),
        flux_adu_s=high(f.ranked_flux_adu_s for f in frames),
        sky_adu_s=low(sky_rate(f) for f in frames),
        sky_darkest_adu=low(f.background_adu for f in frames),
        noise_adu=low(f.noise_adu for f in frames),
        clipped_stars=low(f.clipped_stars for f in frames),
    )
