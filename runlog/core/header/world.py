"""World coordinates of an image: its pixels' matrix, and where on the sky its centre lies.

Sources: Greisen and Calabretta 2002, A&A 395, 1061 (matrices); Calabretta and Greisen 2002, A&A
395, 1077 (projections and rotation of the sphere).
"""

import math
from collections.abc import Callable
from typing import NamedTuple

from runlog.core.frame import Shape
from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.sky.plate_scale import ARCSEC_PER_RADIAN, Matrix, matrix_scale

_ARCSEC = {"arcmin": 60.0, "arcsec": 1.0, "mas": 1e-3, "rad": ARCSEC_PER_RADIAN}  # else degrees
# From adaptive optics to cameras that see the whole sky; an identity matrix nobody filled in gives
# 3600 and is left out (common practice, no source).
POSSIBLE_ARCSEC = (0.003, 1500.0)

# How far from the reference point, in radians, what lies `r` from it in the plane is on the sphere,
# by the projection (table 13 of Calabretta and Greisen); TPV, TNX and ZPX distort the tangent
# plane a little.
_ZENITHAL: dict[str, Callable[[float], float]] = {
    **dict.fromkeys(("TAN", "TPV", "TNX", "ZPX"), math.atan),
    "SIN": math.asin,
    "ARC": float,
    "STG": lambda r: 2 * math.atan(r / 2),
    "ZEA": lambda r: 2 * math.asin(r / 2),
}
# Other projections are true to scale at their reference point, and so is what is nearer to it than
# this to a few hundredths; wider fields than the second are of no telescope's single frame.
_NEAR_DEG, _FAR_DEG = 3.0, 15.0


class ImagePlace(NamedTuple):
    """A place on the sky in degrees, and whether it is the centre of the image."""

    ra_deg: float
    dec_deg: float
    of_centre: bool


def image_place(index: CardIndex, shape: Shape | None) -> ImagePlace | None:
    """Give where the centre of the image lies; None where nothing tells.

    Where a header has a reference point and nothing else, that point is given, unless it says that
    the point is outside the image.
    """
    reference = _reference(index)
    if reference is None:
        return None
    pixel = [_number(index, f"CRPIX{axis}") for axis in (1, 2)]
    unbelievable = not any(reference) or not _on_sphere(*reference)  # as written: to be refused
    if unbelievable or shape is None or pixel[0] is None or pixel[1] is None:
        return ImagePlace(*reference, of_centre=False)
    across = (shape.width + 1) / 2 - pixel[0], (shape.height + 1) / 2 - pixel[1]
    matrix = pixel_matrix(index)
    if matrix is not None and POSSIBLE_ARCSEC[0] <= matrix_scale(matrix) <= POSSIBLE_ARCSEC[1]:
        return _centre(index, reference, matrix, across)
    inside = abs(across[0]) <= shape.width / 2 and abs(across[1]) <= shape.height / 2
    return ImagePlace(*reference, of_centre=False) if inside else None


def lost_place(index: CardIndex, shape: Shape | None) -> str | None:
    """Say why an image with world coordinates has no place by them; None where it has one."""
    if _reference(index) is None or image_place(index, shape) is not None:
        return None
    code = _projection(index)
    if pixel_matrix(index) is None or not code or code in _ZENITHAL:
        return "the reference point of the world coordinates is far outside the image"
    return (
        f"the projection {code} of the world coordinates is not followed as far from its "
        "reference point as this image lies"
    )


def _on_sphere(ra_deg: float, dec_deg: float) -> bool:
    return -180 <= ra_deg <= 360 and -90 <= dec_deg <= 90


def _reference(index: CardIndex) -> tuple[float, float] | None:
    """Give right ascension and declination of the reference point (FITS Standard 4.0, 8.3)."""
    values = {
        axis_kind(index, axis): (value, unit_arcsec(index, axis) / 3600)
        for axis in (1, 2)
        if (value := _number(index, f"CRVAL{axis}")) is not None
    }
    if "RA" not in values or "DEC" not in values:
        return None
    return math.prod(values["RA"]), math.prod(values["DEC"])


def _centre(
    index: CardIndex,
    reference: tuple[float, float],
    matrix: Matrix,
    across: tuple[float, float],
) -> ImagePlace | None:
    """Carry pixels from the reference point over to the sky; None where that is too far.

    `lost_place` says so in words.
    """
    plane = [sum(m * px for m, px in zip(row, across, strict=True)) for row in matrix]
    x, y = plane if axis_kind(index, 1) == "RA" else reversed(plane)
    r = math.hypot(x, y) / ARCSEC_PER_RADIAN
    code = _projection(index)
    if math.degrees(r) > (_FAR_DEG if code in _ZENITHAL else _NEAR_DEG):
        return None
    pole = _number(index, "LONPOLE")
    if code not in _ZENITHAL:
        if pole not in (None, 0.0, 180.0):
            return None  # turned about another point than the reference
        pole = 180.0
    away = _ZENITHAL.get(code, float)(r)
    turn = math.atan2(x, -y) - math.radians(180.0 if pole is None else pole)
    return ImagePlace(*_carried(reference, away, turn), of_centre=True)


def _carried(reference: tuple[float, float], away: float, turn: float) -> tuple[float, float]:
    """Go from a place (degrees) by an angle along a great circle (radians; equation 2)."""
    dec = math.radians(reference[1])
    sin_dec = math.cos(away) * math.sin(dec) + math.sin(away) * math.cos(dec) * math.cos(turn)
    east = -math.sin(away) * math.sin(turn)
    north = math.cos(away) * math.cos(dec) - math.sin(away) * math.sin(dec) * math.cos(turn)
    ra_deg = reference[0] + math.degrees(math.atan2(east, north))
    return ra_deg % 360.0, math.degrees(math.asin(max(-1.0, min(1.0, sin_dec))))


def _ctype(index: CardIndex, axis: int) -> str:
    card = index.get(f"CTYPE{axis}")
    return card.value.upper().strip() if card and isinstance(card.value, str) else ""


def axis_kind(index: CardIndex, axis: int) -> str:
    """Give what an axis counts: "RA---TAN" is RA, its four characters padded with hyphens."""
    return _ctype(index, axis).partition("-")[0]


def _projection(index: CardIndex) -> str:
    return _ctype(index, 1)[5:8]


# --- from pixels to the plane ---------------------------------------------------------------


def pixel_matrix(index: CardIndex) -> Matrix | None:
    """Read CDi_j, else PCi_j with CDELTi, else CDELTi with CROTA2, in arc seconds a pixel.

    CDELTi beside CDi_j is no part of the scale: one camera writes its binning there.
    """
    return _cd(index) or _pc(index)


def _cd(index: CardIndex) -> Matrix | None:
    """Read CDi_j; where one is given, the missing ones are zero."""
    found = {(i, j): _number(index, f"CD{i}{j}", f"CD00{i}00{j}") for i in (1, 2) for j in (1, 2)}
    if all(value is None for value in found.values()):
        return None
    units = [unit_arcsec(index, axis) for axis in (1, 2)]
    return (
        ((found[1, 1] or 0.0) * units[0], (found[1, 2] or 0.0) * units[0]),
        ((found[2, 1] or 0.0) * units[1], (found[2, 2] or 0.0) * units[1]),
    )


def _pc(index: CardIndex) -> Matrix | None:
    """Read CDELTi x PCi_j; a missing PCi_j is that of the identity."""
    steps = [_number(index, f"CDELT{axis}") for axis in (1, 2)]
    if not steps[0] or not steps[1]:
        return None
    x, y = steps[0] * unit_arcsec(index, 1), steps[1] * unit_arcsec(index, 2)
    pc = [[_number(index, f"PC{i}{j}", f"PC00{i}00{j}") for j in (1, 2)] for i in (1, 2)]
    if all(value is None for row in pc for value in row):
        return _turned(x, y, _number(index, "CROTA2") or 0.0)
    rows = [
        [float(i == j) if pc[i][j] is None else pc[i][j] or 0.0 for j in (0, 1)] for i in (0, 1)
    ]
    return (rows[0][0] * x, rows[0][1] * x), (rows[1][0] * y, rows[1][1] * y)


def _turned(x: float, y: float, angle_deg: float) -> Matrix:
    """Turn steps along the axes by CROTA2 (equation 187 to 189 of Calabretta and Greisen)."""
    sin, cos = math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))
    return (x * cos, -y * sin), (x * sin, y * cos)


def _number(index: CardIndex, *keywords: str) -> float | None:
    for keyword in keywords:
        card = index.get(keyword)
        found = None if card is None else number_and_unit(card)
        if found is not None:
            return found[0]
    return None


def unit_arcsec(index: CardIndex, axis: int) -> float:
    """Give the arc seconds in an axis' unit, degrees where it names none (FITS Standard 4.0)."""
    card = index.get(f"CUNIT{axis}")
    unit = card.value.strip().lower() if card and isinstance(card.value, str) else ""
    return _ARCSEC.get(unit, 3600.0)
