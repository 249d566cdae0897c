"""What a header says about telescope, focuser, rotator and mount.

Sources are named where a rule follows one; everything else is common practice, no source.
"""

import re

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.header.coordinates import parse_angle
from runlog.core.header.questions import Doubts

_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4, "inches": 25.4}
_FOCAL_MM = (5.0, 50_000.0)
_APERTURE_MM = (1.0, 15_000.0)
_HIGHEST_AIRMASS = 40.0  # 38 at the horizon (Kasten and Young 1989, Appl. Opt. 28, 4735)


def read_focal_mm(index: CardIndex, doubts: Doubts) -> float | None:
    """Give the focal length in millimetres (FOCALLEN, SBFITSEXT 1.0); zero means nobody set it."""
    for card in index.all("focal_length"):
        found = _length_mm(card)
        if found is None:
            continue
        value, unit = found
        if value <= 0:
            doubts.ask("focal-length", f"{card.keyword} is {value:g}: the focal length is not set")
        elif not unit and value < _FOCAL_MM[0]:
            text = f"{card.keyword} {value:g} was taken as metres, {value * 1000:g} mm"
            doubts.ask("focal-length", text)
            return value * 1000
        elif _FOCAL_MM[0] <= value <= _FOCAL_MM[1]:
            return value
        else:
            doubts.ask("focal-length", f"{card.keyword} {card.value} is no focal length")
    return None


def read_aperture_mm(index: CardIndex, doubts: Doubts) -> float | None:
    """Give the aperture in millimetres (APTDIA, SBFITSEXT 1.0); zero means nobody set it."""
    for card in index.all("aperture"):
        found = _length_mm(card)
        if found is None or found[0] == 0:
            continue
        if _APERTURE_MM[0] <= found[0] <= _APERTURE_MM[1]:
            return found[0]
        doubts.ask("aperture", f"{card.keyword} {card.value} gives no aperture in millimetres")
    return None


def _length_mm(card: Card) -> tuple[float, str] | None:
    found = number_and_unit(card)
    if found is None:
        return None
    unit = found[1].lower()
    return found[0] * _MM.get(unit, 1.0), unit


def read_focus_pos(index: CardIndex) -> float | None:
    """Give the focuser's position in its own steps."""
    found = index.number("focus_position")
    return None if found is None else found[0]


def read_angle_deg(index: CardIndex, name: str) -> float | None:
    """Give a rotator's or the sky's position angle, 0 to 360 degrees."""
    for card in index.all(name):
        angle = None if card.value is None else parse_angle(card.value)
        if angle is not None and abs(angle.value) <= 720:
            return angle.value % 360.0
    return None


def read_airmass(index: CardIndex, doubts: Doubts) -> float | None:
    """Give the airmass; below 1 it is no airmass (a hair below comes from rounding formulas)."""
    for card in index.all("airmass"):
        found = number_and_unit(card)
        if found is None:
            continue
        if 0.99 <= found[0] <= _HIGHEST_AIRMASS:
            return max(1.0, found[0])
        doubts.ask("airmass", f"{card.keyword} {found[0]:g} is no airmass")
    return None


_SIDE = re.compile(r"(?:pier|side)?[\s_\-]*(east|west|e|w)\b", re.I)
_BOTH = re.compile(r"(?:pier|side)[\s_\-]*(?:of[\s_\-]*pier[\s_\-]*)?(east|west)", re.I)


def read_pier_side(index: CardIndex) -> str | None:
    """Give the side of the pier the telescope stands on; numbers and "looking east" do not say."""
    for card in index.all("pier_side"):
        side = _side(card.value) if isinstance(card.value, str) else None
        if side is not None:
            return side
    return None


def _side(text: str) -> str | None:
    lowered = text.lower()
    match = _BOTH.search(text) if "looking" in lowered else _SIDE.match(text)
    if match is None:
        return None
    return "east" if match[1][0] in "eE" else "west"
