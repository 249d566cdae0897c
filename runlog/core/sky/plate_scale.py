"""Plate scale."""

from math import degrees, sqrt

ARCSEC_PER_RADIAN = degrees(1) * 3600  # 206264.806

Matrix = tuple[tuple[float, float], tuple[float, float]]


def plate_scale_arcsec(pixel_um: float, focal_mm: float) -> float:
    """Compute arc seconds per pixel: 206.264806 x pixel in um / focal length in mm."""
    return ARCSEC_PER_RADIAN / 1000 * pixel_um / focal_mm


def matrix_scale(matrix: Matrix) -> float:
    """Compute the side of the square that a pixel covers on the sky.

    Parameters
    ----------
    matrix : tuple of two tuples of two floats
        From pixels to intermediate world coordinates, CDi_j or CDELTi x PCi_j (Greisen and
        Calabretta 2002, A&A 395, 1061, equations 1 and 3), in any unit of angle a pixel.

    Returns
    -------
    float
        Square root of the size of the determinant, in the matrix's unit; 0 for a singular one.
    """
    (a, b), (c, d) = matrix
    return sqrt(abs(a * d - b * c))
