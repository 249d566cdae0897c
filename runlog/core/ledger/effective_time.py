"""Effective time: how long a reference exposure would take to reach a frame's depth."""

from dataclasses import dataclass
from enum import StrEnum


class DepthForm(StrEnum):
    """Which sources the depth is reckoned for."""

    POINT = "point"  # stars: a wider image spreads their light over more sky
    EXTENDED = "extended"  # nebulae and galaxies: their surface brightness does not care


@dataclass(frozen=True, slots=True)
class DepthReference:
    """The frozen frame that counts one second for one second."""

    fwhm_arcsec: float
    sky_variance: float  # background variance a second, in electrons per square arc second


def sky_variance(
    noise_adu: float, egain_e_adu: float, exposure_s: float, arcsec_per_px: float
) -> float:
    """Background variance per second in electrons^2 per square arc second."""
    return (noise_adu * egain_e_adu / arcsec_per_px) ** 2 / exposure_s


def effective_s(
    exposure_s: float,
    throughput: float,
    fwhm_arcsec: float,
    variance: float,
    reference: DepthReference,
    form: DepthForm,
) -> float:
    """Scale an exposure by the depth it reached.

    t_eff = t T^2 (FWHM_ref / FWHM)^2 (v_ref / v), with T the throughput (extinction included)
    and v the background variance per second; the extended form leaves the FWHM term out.
    Adapted from Neilsen, Bernstein, Gruendl and Kent 2016 (FERMILAB-TM-2610-AE-CD).
    """
    scaled = exposure_s * throughput**2 * reference.sky_variance / variance
    if form is DepthForm.EXTENDED:
        return scaled
    return scaled * (reference.fwhm_arcsec / fwhm_arcsec) ** 2
