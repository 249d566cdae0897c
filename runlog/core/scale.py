"""Plate scale and focal ratio."""

from math import degrees

ARCSEC_PER_RADIAN = degrees(1) * 3600  # 206264.806


def plate_scale_arcsec(pixel_um: float, focal_mm: float) -> float:
    """Compute arc seconds per pixel: 206.264806 x pixel in um / focal length in mm."""
    return ARCSEC_PER_RADIAN / 1000 * pixel_um / focal_mm


def focal_ratio(focal_mm: float, aperture_mm: float) -> float:
    """Compute the focal ratio, focal length over aperture."""
    return focal_mm / aperture_mm
