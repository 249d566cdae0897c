"""What a minute on a target is worth, against a kept minute of the rig's usual good sky."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.moon_law import MoonLaw, dark_air, moonlight_nl
from runlog.core.plan.sky_grid import SkyGrid, Tracks
from runlog.core.sky.earth import Floats
from runlog.core.sky.ephemeris import airmass_of

PRIOR_HOURS = 4.0  # of all filters' share, in the share of one
SEEING_POWER = 0.6  # FWHM grows as X^0.6 (Kolmogorov)


@dataclass(frozen=True)
class Sight:
    """A target's sky over the moments of a grid, (n,) each."""

    alt_deg: Floats
    airmass: Floats  # NaN below the horizon
    moon_nl: Floats
    moon_sep_deg: Floats


def sight(grid: SkyGrid, found: Tracks, i: int) -> Sight:
    """Gather what one target of the tracks sees."""
    alt = found.alt_deg[i]
    light = moonlight_nl(grid.moon_phase_deg, found.moon_sep_deg[i], grid.moon_alt_deg, alt)
    return Sight(alt, airmass_of(alt), light, found.moon_sep_deg[i])


def worth_of_a_minute(
    seen: Sight, law: MoonLaw, share: float, extinction_mag: float, form: DepthForm,
    usual_airmass: float,
) -> Floats:  # fmt: skip
    """Compute effective minutes a minute, (n,); 0 below the horizon.

    Share of the time that is usually kept, times T^2, times the width's part for point sources,
    times what the Moon leaves; airmass against that of the target's good frames.
    """
    air = np.where(np.isnan(seen.airmass), 40.0, seen.airmass)
    light = 10 ** (-0.8 * extinction_mag * (air - usual_airmass))
    width = (air / usual_airmass) ** (-2 * SEEING_POWER) if form is DepthForm.POINT else 1.0
    moon = law.factor(seen.moon_nl, dark_air(air, extinction_mag))
    return np.asarray(np.where(np.isnan(seen.airmass), 0.0, share * light * width * moon))


def share_usable(kept_s: float, logged_s: float, of_all: float) -> float:
    """Shrink a filter's kept share towards that of all filters."""
    hours = logged_s / 3600
    return (kept_s / 3600 + PRIOR_HOURS * of_all) / (hours + PRIOR_HOURS)


def quantile(values: Sequence[float], share: float) -> float:
    """Interpolate between ordered values."""
    return float(np.quantile(np.array(sorted(values)), share))
