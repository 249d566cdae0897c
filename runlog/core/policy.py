"""The limits a frame is graded by; each default says why it is what it is."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

# Magnitudes lost per airmass under a clear sky, by filter (common practice, no source; a dry
# mountain loses less in blue, a hazy lowland more).
EXTINCTION_MAG = {"B": 0.25, "G": 0.17, "R": 0.12, "L": 0.18, "Ha": 0.11, "SII": 0.10, "OIII": 0.18}
DEFAULT_EXTINCTION_MAG = 0.17


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a value makes a frame doubtful, and where it makes it a reject."""

    doubtful: float
    reject: float


@dataclass(frozen=True, slots=True)
class Policy:
    """Limits per fault. Ratios are to what is usual for the run, unless they say otherwise."""

    # A trail half as long as the star is wide gives e = 0.32, which nobody sees; eight tenths
    # gives 0.48, a whole width 0.56, which anybody sees. The rig's own stretch is taken out.
    trailed_eccentricity: Limit = Limit(0.42, 0.6)
    # Trails share one direction over the frame; noise and coma from the corners do not.
    trailed_alignment: float = 0.4
    # A second image beside every star is never wanted: the share of stars that have one.
    doubled_share: Limit = Limit(0.12, 0.12)
    # Focus: a fifth wider costs a third of the depth on faint stars.
    defocused_ratio: Limit = Limit(1.13, 1.5)
    # The profile must have lost this share of its wings for it to be focus and not seeing.
    profile_change: float = 0.045
    # Wings that grew by this much are halos: dew on the optics, fog, or thin cloud with it.
    halo_ratio: Limit = Limit(1.1, 1.5)
    # Seeing wanders by 30 % on an ordinary night and is nobody's fault.
    soft_ratio: Limit = Limit(1.45, 2.2)
    # Against the rig's earlier nights: a night that is poor throughout must not pass as usual.
    soft_history_ratio: Limit = Limit(1.5, 2.5)
    # Share of the light that still comes through, against the run's clear frames.
    cloud_transparency: Limit = Limit(0.8, 0.5)
    # The same against the best frame of this target ever: haze over the whole night.
    cloud_history: Limit = Limit(0.6, 0.3)
    # Stars left, where their light cannot be followed.
    cloud_stars: Limit = Limit(0.6, 0.35)
    # Share of stars left in the worst third of the frame, against the rest of it.
    obstructed_share: Limit = Limit(0.6, 0.35)
    # Twice the sky costs half of the effective time; four times is hardly worth stacking.
    bright_sky_ratio: Limit = Limit(1.8, 4.0)
    # Noise grows as the square root of the sky: used where the camera's zero is not known.
    bright_noise_ratio: Limit = Limit(1.34, 2.0)
    # Far fewer stars than this field gives, and nothing else found.
    few_stars_share: Limit = Limit(0.3, 0.3)
    few_stars_least: int = 5
    # Pointing away from the run by this share of the field: the stack loses that edge.
    off_target_share: Limit = Limit(0.1, 0.1)
    # Saturated stars against the run's usual, and at least so many of them.
    clipped_ratio: float = 3.0
    clipped_least: int = 20
    # Absolute limits, used only where somebody sets them.
    widest_fwhm_px: Limit | None = None
    widest_fwhm_arcsec: Limit | None = None
    brightest_sky_adu_s: Limit | None = None
    fewest_stars: Limit | None = None
    # Filter -> settings that differ for it.
    by_filter: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def for_filter(self, name: str) -> "Policy":
        """Give the limits that hold for one filter."""
        own = self.by_filter.get(name) or self.by_filter.get(name.split(" ")[0])
        return replace(self, by_filter={}, **own) if own else self


def digest_of(policy: Policy) -> str:
    """Name a set of limits, to see whether a run was graded by it."""
    return hashlib.blake2b(repr(policy).encode(), digest_size=16).hexdigest()


SETTINGS = tuple(f.name for f in fields(Policy) if f.name != "by_filter")


def extinction_mag(filter_name: str) -> float:
    """Magnitudes a clear sky takes per airmass in a filter; bandwidths share their line's."""
    return EXTINCTION_MAG.get(filter_name.split(" ")[0], DEFAULT_EXTINCTION_MAG)
