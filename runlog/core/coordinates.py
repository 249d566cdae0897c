"""Angles as headers write them: degrees, hours, sexagesimal; where the mount pointed."""

import math
import re
from typing import NamedTuple

from runlog.core.cards import CardIndex, number_and_unit, parse_number
from runlog.core.frame import Card
from runlog.core.keywords import HOURS_BY_DEFINITION, POINTING_PAIRS
from runlog.core.questions import Doubts

_SEXAGESIMAL = re.compile(
    r"""\s*([+\-−])?\s*
    ([0-9]{1,3})\s*([:\shHdD°º*])\s*
    ([0-9]{1,2}(?:[.,][0-9]*)?)\s*
    (?:[:\smM'′]\s*([0-9]{1,2}(?:[.,][0-9]*)?)?)?\s*
    (?:s|"|″|''|\s)?\s*([NSEW])?\s*\Z""",
    re.VERBOSE,
)
_HEMISPHERE = re.compile(r"(?:°|º|d|deg|degrees)?\s*([NSEW])?\s*\Z")

# Two readings of one pointing agree within this: epochs differ by up to 0.4 deg (precession since
# 2000), a target's catalogue place and the framed centre by a degree or so.
_AGREE_DEG = 3.0


class Angle(NamedTuple):
    """An angle as written: value, whether in sexagesimal, unit ("h", "d", "") and hemisphere."""

    value: float
    sexagesimal: bool = False
    unit: str = ""
    hemisphere: str = ""


def parse_sexagesimal(text: str) -> Angle | None:
    """Read "22:04:08.5", "-00 55 31", "5h34m32s", "46°52'00\\" N" or "22 04.5"."""
    match = _SEXAGESIMAL.match(text)
    if match is None:
        return None
    sign, whole, mark, minutes_text, seconds_text, hemisphere = match.groups()
    minutes = float(minutes_text.replace(",", "."))
    seconds = float(seconds_text.replace(",", ".")) if seconds_text else 0.0
    if minutes >= 60 or seconds > 60:
        return None
    size = int(whole) + minutes / 60 + seconds / 3600
    unit = "h" if mark in "hH" else "d" if mark in "dD°º*" else ""
    return Angle(-size if sign in ("-", "−") else size, True, unit, hemisphere or "")


def parse_angle(value: str | int | float | bool) -> Angle | None:
    """Read an angle from a number or a text; None when it is neither."""
    if not isinstance(value, str):
        number = parse_number(value)
        return None if number is None else Angle(number[0])
    return parse_sexagesimal(value) or _parse_decimal(value)


def _parse_decimal(text: str) -> Angle | None:
    number = parse_number(text.strip().replace("−", "-"))
    if number is None:
        return None
    tail = _HEMISPHERE.match(number[1])
    if tail is None:
        return Angle(number[0], unit="h") if number[1] in ("h", "H", "hours") else None
    return Angle(number[0], unit="d" if number[1] and not tail[1] else "", hemisphere=tail[1] or "")


def _said_unit(card: Card, angle: Angle) -> str:
    """Give "h" or "d" where value or comment states the unit, else nothing."""
    if angle.unit:
        return angle.unit
    comment = card.comment.lower()
    if "hour" in comment or "[h]" in comment or "(h)" in comment:
        return "h"
    return "d" if "deg" in comment else ""


class Reading(NamedTuple):
    """One right ascension as written, in degrees under each reading of its unit."""

    keyword: str
    raw: float
    if_degrees: float
    if_hours: float
    sure: bool  # value, comment or keyword leave no doubt about the unit
    hours: bool  # the reading to take when nothing else tells

    @property
    def degrees(self) -> float:
        """Right ascension in degrees by the likelier reading."""
        return self.if_hours if self.hours else self.if_degrees


def read_right_ascension(card: Card, hours_by_definition: bool = False) -> Reading | None:
    """Read a right ascension; a plain number is degrees unless its keyword is defined in hours."""
    angle = None if card.value is None else parse_angle(card.value)
    if angle is None:
        return None
    unit = _said_unit(card, angle)
    if angle.sexagesimal:
        hours, sure = unit != "d" and angle.value < 24, True
    elif angle.value > 24:
        hours, sure = False, True
    else:
        hours, sure = unit == "h" or (not unit and hours_by_definition), bool(unit)
    return Reading(card.keyword, angle.value, angle.value, angle.value * 15, sure, hours)


def read_declination(card: Card) -> float | None:
    """Read a declination in degrees."""
    angle = None if card.value is None else parse_angle(card.value)
    if angle is None:
        return None
    return -angle.value if angle.hemisphere == "S" else angle.value


class Pointing(NamedTuple):
    """A right ascension with the declination beside it."""

    ra: Reading
    dec_deg: float


def read_pointing(index: CardIndex, doubts: Doubts) -> tuple[float | None, float | None]:
    """Give where the frame points, right ascension and declination in degrees.

    The first complete pair of keywords that makes sense is taken; the other pairs settle whether
    a plain number means hours or degrees.
    """
    pointings = _believable(_all_pointings(index), doubts)
    if not pointings:
        return None, None
    first, others = pointings[0], pointings[1:]
    witness = next((other.ra for other in others if other.ra.sure), None)
    ra_deg = _settle_unit(first, witness, doubts)
    return ra_deg % 360.0, first.dec_deg


def _all_pointings(index: CardIndex) -> list[Pointing]:
    found = []
    own = tuple(zip(index.extra("ra"), index.extra("dec"), strict=False))
    for ra_keyword, dec_keyword in own + POINTING_PAIRS:
        ra_card, dec_card = index.get(ra_keyword), index.get(dec_keyword)
        if ra_card is None or dec_card is None:
            continue
        ra = read_right_ascension(ra_card, ra_keyword in HOURS_BY_DEFINITION)
        dec_deg = read_declination(dec_card)
        if ra is not None and dec_deg is not None:
            found.append(Pointing(ra, dec_deg))
    found.extend(_from_axes(index))
    return found


def _from_axes(index: CardIndex) -> list[Pointing]:
    """Give the reference point of a celestial world coordinate system (FITS Standard 4.0, 8.3)."""
    axes = {}
    for axis in "12":
        kind, value = index.get(f"CTYPE{axis}"), index.get(f"CRVAL{axis}")
        number = number_and_unit(value) if value is not None else None
        if kind is not None and number is not None:
            axes[str(kind.value)[:4].upper().rstrip("-")] = number[0]
    if "RA" not in axes or "DEC" not in axes:
        return []
    ra = axes["RA"]
    return [Pointing(Reading("CRVAL", ra, ra, ra, True, False), axes["DEC"])]


def _believable(pointings: list[Pointing], doubts: Doubts) -> list[Pointing]:
    kept = []
    for pointing in pointings:
        ra_deg, dec_deg = pointing.ra.degrees, pointing.dec_deg
        where = f"{pointing.ra.keyword} {pointing.ra.raw:g} with declination {dec_deg:g}"
        if ra_deg == 0 and dec_deg == 0:
            doubts.ask("coordinates", f"{where}: both exactly zero, most likely no mount was read")
        elif not (0 <= ra_deg <= 360 and -90 <= dec_deg <= 90):
            doubts.ask("coordinates", f"{where} is out of range")
        else:
            kept.append(pointing)
    return kept


def _settle_unit(pointing: Pointing, witness: Reading | None, doubts: Doubts) -> float:
    """Choose hours or degrees for a right ascension by another one of the same header."""
    ra = pointing.ra
    if witness is None:
        if not ra.sure:
            taken = "hours" if ra.hours else "degrees"
            text = f"{ra.keyword} {ra.raw:g} could be hours or degrees; taken as {taken}"
            doubts.ask("ra-hours-or-degrees", text)
        return ra.degrees
    readings = {ra.degrees} if ra.sure else {ra.if_degrees, ra.if_hours}
    nearest = min(readings, key=lambda deg: _apart_deg(deg, witness.degrees, pointing.dec_deg))
    if _apart_deg(nearest, witness.degrees, pointing.dec_deg) > _AGREE_DEG:
        text = f"{ra.keyword} says right ascension {ra.degrees:.3f} deg, {witness.keyword} says"
        doubts.ask("coordinates", f"{text} {witness.degrees:.3f} deg; the first is believed")
        return ra.degrees
    if nearest != ra.degrees:
        taken = "degrees" if ra.hours else "hours"
        text = f"{ra.keyword} {ra.raw:g} is in {taken}, as {witness.keyword} shows"
        doubts.ask("ra-hours-or-degrees", text)
    return nearest


def _apart_deg(a_deg: float, b_deg: float, dec_deg: float) -> float:
    """Give the separation on the sky of two right ascensions at one declination."""
    return abs((a_deg - b_deg + 180) % 360 - 180) * math.cos(math.radians(dec_deg))
