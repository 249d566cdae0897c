"""Effective time: how long the reference would take to reach the depth of a frame.

t_eff = t T^2 (FWHM_ref / FWHM)^2 (v_ref / v), with t the exposure, T the light that came (what the
air takes included) and v the background variance a second; the extended form leaves the width out.
Adapted from Neilsen, Bernstein, Gruendl and Kent 2016 (FERMILAB-TM-2610-AE-CD; from memory).

What is stored of a frame knows no reference: q = t T^2 / (FWHM^2 v). It is divided by the reference
when it is read, so that no number hangs on the order of scanning.
"""

from dataclasses import dataclass
from enum import StrEnum

from runlog.core.frame import Frame, Lacks
from runlog.core.sky.plate_scale import plate_scale_arcsec


class DepthForm(StrEnum):
    """Which sources the depth is reckoned for."""

    POINT = "point"  # stars: a wider image spreads their light over more sky
    EXTENDED = "extended"  # nebulae and galaxies: their surface brightness does not care


@dataclass(frozen=True, slots=True)
class SkyDepth:
    """What width and sky let a second of full light be worth, in both forms."""

    point_s_e2: float  # 1 / (FWHM^2 v)
    extended_s_arcsec2_e2: float  # 1 / v


@dataclass(frozen=True, slots=True)
class Depth:
    """The unnormalised depth of one frame, and the light it rests on."""

    light_e_adu: float  # electrons for every ADU that the same stars gave in the frame it rests on
    point_s2_adu2: float  # t T^2 / (FWHM^2 v)
    extended_s2_arcsec2_adu2: float  # t T^2 / v


def sky_variance(
    noise_adu: float, egain_e_adu: float, exposure_s: float, arcsec_per_px: float
) -> float:
    """Background variance per second in electrons^2 per square arc second."""
    return (noise_adu * egain_e_adu / arcsec_per_px) ** 2 / exposure_s


def sky_depth(fwhm_arcsec: float, variance: float) -> SkyDepth:
    """Give 1 / (FWHM^2 v) and 1 / v, with v in electrons^2 a second and square arc second."""
    return SkyDepth(1 / (fwhm_arcsec**2 * variance), 1 / variance)


def depth(exposure_s: float, light_e_adu: float, sky: SkyDepth) -> Depth:
    """Weigh an exposure by its light, and by what sky and width let that be worth."""
    weighed = exposure_s * light_e_adu**2
    return Depth(light_e_adu, weighed * sky.point_s_e2, weighed * sky.extended_s_arcsec2_e2)


def lacks(frame: Frame) -> Lacks | None:
    """Say what of a frame's depth is unknown, its light apart; None where nothing is."""
    got, header = frame.measurement, frame.header
    if not got.fwhm_px or not got.noise_adu or not header.exposure_s:
        return Lacks.STARS
    if not header.egain_e_adu:
        return Lacks.GAIN
    return Lacks.ZERO if frame.context.pedestal_adu is None else None


def sky_depth_of(frame: Frame) -> SkyDepth | None:
    """Give what width and sky of a frame are worth; None where a part is unknown."""
    got, header = frame.measurement, frame.header
    if not (got.fwhm_px and got.noise_adu and header.exposure_s and header.egain_e_adu):
        return None
    if lacks(frame):
        return None
    scale = scale_of(frame)
    variance = sky_variance(got.noise_adu, header.egain_e_adu, header.exposure_s, scale)
    return sky_depth(got.fwhm_px * scale, variance)


def scale_of(frame: Frame) -> float:
    """Arc seconds per stored pixel by the optics; unbinned pixels where the header tells none.

    By the optics alone: world coordinates measure each frame a little otherwise. The frames of one
    rig all tell their optics or none does, so that the unit is lost in the division.
    """
    header = frame.header
    if not header.pixel_um or not header.focal_mm:
        return float(header.binning_x)
    return plate_scale_arcsec(header.pixel_um * header.binning_x, header.focal_mm)
