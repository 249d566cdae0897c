"""The limits a frame is graded by; each default says why it is what it is."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

# Magnitudes lost per airmass under a clear sky, by filter (common practice, no source; a dry
# mountain loses less in blue, a hazy lowland more).
_COLOUR_MAG = {"B": 0.25, "G": 0.17, "R": 0.12, "L": 0.18, "Ha": 0.11, "SII": 0.10, "OIII": 0.18}
# Photometric bands, the usual ones of an observatory on a mountain of 2 km, from memory: Sloan's as
# in Smith et al. 2002, AJ 123, 2121 and Hogg et al. 2001, AJ 122, 2129; Johnson's and Cousins' as
# in Landolt 1992, AJ 104, 340 and Patat et al. 2011, A&A 527, A91.
_SLOAN_MAG = {"u'": 0.55, "g'": 0.18, "r'": 0.11, "i'": 0.07, "z'": 0.06}
_JOHNSON_MAG = {"U": 0.50, "Johnson B": 0.26, "V": 0.15, "Rc": 0.11, "Ic": 0.07}
EXTINCTION_MAG = _COLOUR_MAG | _SLOAN_MAG | _JOHNSON_MAG
DEFAULT_EXTINCTION_MAG = 0.17


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a value makes a frame doubtful, and where it makes it a reject."""

    doubtful: float
    reject: float


@dataclass(frozen=True, slots=True)
class Policy:
    """Limits per fault; `REASONS` says why each is what it is.

    Ratios are to what is usual for the run, unless the reason says otherwise.
    """

    trailed_eccentricity: Limit = Limit(0.42, 0.6)
    trailed_alignment: float = 0.4
    doubled_share: Limit = Limit(0.12, 0.12)
    defocused_ratio: Limit = Limit(1.13, 1.5)
    profile_change: float = 0.045
    halo_ratio: Limit = Limit(1.1, 1.5)
    soft_ratio: Limit = Limit(1.45, 2.2)
    soft_history_ratio: Limit = Limit(1.5, 2.5)
    cloud_transparency: Limit = Limit(0.8, 0.5)
    cloud_history: Limit = Limit(0.6, 0.3)
    cloud_stars: Limit = Limit(0.6, 0.35)
    obstructed_share: Limit = Limit(0.6, 0.35)
    bright_sky_ratio: Limit = Limit(1.8, 4.0)
    bright_sky_history: Limit = Limit(2.8, 11.0)
    bright_noise_ratio: Limit = Limit(1.34, 2.0)
    few_stars_share: Limit = Limit(0.3, 0.3)
    few_stars_least: int = 5
    off_target_share: Limit = Limit(0.1, 0.1)
    clipped_ratio: float = 3.0
    clipped_least: int = 20
    tilted_span: float = 0.15
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


SETTINGS = tuple(f.name for f in fields(Policy) if f.name != "by_filter")
# Why each default is what it is; shown beside it.
REASONS: Mapping[str, str] = {
    "trailed_eccentricity": (
        "A trail half as long as the star is wide gives e = 0.32, which nobody sees; eight "
        "tenths gives 0.48, a whole width 0.56, which anybody sees. The rig's own stretch is "
        "taken out."
    ),
    "trailed_alignment": (
        "Trails share one direction over the frame; noise and coma from the corners do not."
    ),
    "doubled_share": (
        "A second image beside every star is never wanted: the share of stars that have one."
    ),
    "defocused_ratio": "Focus: a fifth wider costs a third of the depth on faint stars.",
    "profile_change": (
        "The profile must have lost this share of its wings for it to be focus and not seeing."
    ),
    "halo_ratio": (
        "Wings that grew by this much are halos: dew on the optics, fog, or thin cloud with it."
    ),
    "soft_ratio": "Seeing wanders by 30 % on an ordinary night and is nobody's fault.",
    "soft_history_ratio": (
        "Against the rig's earlier nights: a night that is poor throughout must not pass as usual."
    ),
    "cloud_transparency": (
        "Share of the light that still comes through, against the run's clear frames."
    ),
    "cloud_history": (
        "The same against the best frame of this target ever: haze over the whole night."
    ),
    "cloud_stars": "Stars left, where their light cannot be followed.",
    "obstructed_share": (
        "Share of stars left in the worst third of the frame, against the rest of it."
    ),
    "bright_sky_ratio": (
        "Twice the sky costs half of the effective time; four times is hardly worth stacking."
    ),
    "bright_sky_history": (
        "The same against the best frame of this target ever: the Moon over the whole night. It "
        "costs as much effective time as the haze of cloud_history; narrow bands may be given more."
    ),
    "bright_noise_ratio": (
        "Noise grows as the square root of the sky: used where the camera's zero is not known."
    ),
    "few_stars_share": "Far fewer stars than this field gives, and nothing else found.",
    "few_stars_least": "Fewer stars than this are no field at all, whatever the run looks like.",
    "off_target_share": (
        "Pointing away from the run by this share of the field: the stack loses that edge."
    ),
    "clipped_ratio": (
        "Saturated stars against the run's usual: so many times as many are worth a note ..."
    ),
    "clipped_least": "... where there are so many of them at least.",
    "tilted_span": (
        "Width that changes over the field by this share of itself, in frame after frame: optics."
    ),
    "widest_fwhm_px": "Widest stars you will keep, in pixels; used only where set.",
    "widest_fwhm_arcsec": "Widest stars you will keep, in seconds of arc; used only where set.",
    "brightest_sky_adu_s": "Brightest sky you will keep, in ADU a second; used only where set.",
    "fewest_stars": "Fewest stars you will keep; used only where set.",
}


def extinction_mag(filter_name: str) -> float:
    """Magnitudes a clear sky takes per airmass in a filter; bandwidths share their line's."""
    own = EXTINCTION_MAG.get(filter_name)
    return own or EXTINCTION_MAG.get(filter_name.split(" ")[0], DEFAULT_EXTINCTION_MAG)
