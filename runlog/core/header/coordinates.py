"""Angles as headers write them: degrees, hours, sexagesimal; where the mount pointed."""

import math
import re
from itertools import chain
from typing import NamedTuple

from runlog.core.frame import Card, Shape
from runlog.core.header.cards import CardIndex, parse_number
from runlog.core.header.keywords import HOURS_BY_DEFINITION, POINTING_PAIRS
from runlog.core.header.questions import Doubts
from runlog.core.header.world import image_place, lost_place

_SEXAGESIMAL = re.compile(
    r"""\s*([+\-−])?\s*
    ([0-9]{1,3})\s*([:\shHdD°º*])\s*
    ([0-9]{1,2}(?:[.,][0-9]*)?)\s*
    (?:[:\smM'′]\s*([0-9]{1,2}(?:[.,][0-9]*)?)?)?\s*
    (?:s|"|″|''|\s)?\s*([NSEW])?\s*\Z""",
    re.VERBOSE,
)
_RADIANS = re.compile(r"\brad(?:ians?)?\b", re.IGNORECASE)
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
    if _RADIANS.fullmatch(number[1]):
        return Angle(math.degrees(number[0]), unit="d")
    tail = _HEMISPHERE.match(number[1])
    if tail is None:
        return Angle(number[0], unit="h") if number[1] in ("h", "H", "hours") else None
    return Angle(number[0], unit="d" if number[1] and not tail[1] else "", hemisphere=tail[1] or "")


def _said_unit(card: Card, angle: Angle) -> str:
    """Give "h", "d" or "r" where value or comment states the unit, else nothing."""
    if angle.unit:
        return angle.unit
    if not angle.sexagesimal and _RADIANS.search(card.comment):
        return "r"
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
    if unit == "r":
        ra_deg = math.degrees(angle.value)
        return Reading(card.keyword, angle.value, ra_deg, ra_deg, True, False)
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
    dec_deg = math.degrees(angle.value) if _said_unit(card, angle) == "r" else angle.value
    return -dec_deg if angle.hemisphere == "S" else dec_deg


class Pointing(NamedTuple):
    """A right ascension with the declination beside it."""

    ra: Reading
    dec_deg: float
    solved: bool = False  # the centre of the image, by world coordinates that have a scale


def read_pointing(
    index: CardIndex, doubts: Doubts, shape: Shape | None = None
) -> tuple[float | None, float | None]:
    """Give where the frame points, right ascension and declination in degrees.

    The first complete pair of keywords that makes sense is taken; the other pairs settle whether
    a plain number means hours or degrees. World coordinates are believed where they contradict it.
    """
    found = _all_pointings(index, shape)
    lost = None if found else lost_place(index, shape)
    if lost is not None:
        doubts.ask("coordinates", f"{lost}: where it points is unknown")
    pointings = _believable(found, doubts)
    if not pointings:
        return None, None
    first, others = pointings[0], pointings[1:]
    solved = (other for other in others if other.solved)
    sure = (other for other in others if other.ra.sure)
    ra_deg, dec_deg = _settle(first, next(chain(solved, sure), None), doubts)
    return ra_deg % 360.0, dec_deg


def _all_pointings(index: CardIndex, shape: Shape | None) -> list[Pointing]:
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
    place = image_place(index, shape)
    if place is not None:
        ra_deg, dec_deg = place.ra_deg, place.dec_deg
        reading = Reading("CRVAL", ra_deg, ra_deg, ra_deg, True, False)
        found.append(Pointing(reading, dec_deg, place.of_centre))
    return found


def _believable(pointings: list[Pointing], doubts: Doubts) -> list[Pointing]:
    kept = []
    for pointing in pointings:
        ra_deg, dec_deg = pointing.ra.degrees, pointing.dec_deg
        where = f"{pointing.ra.keyword} {pointing.ra.raw:g} with declination {dec_deg:g}"
        if ra_deg == 0 and dec_deg == 0:
            text = f"{where}: both exactly zero, most likely no mount was read; left out"
            doubts.ask("coordinates", text)
        elif not (0 <= ra_deg <= 360 and -90 <= dec_deg <= 90):
            doubts.ask("coordinates", f"{where} is out of range; the pair was left out")
        else:
            kept.append(pointing)
    return kept


def _settle(pointing: Pointing, witness: Pointing | None, doubts: Doubts) -> tuple[float, float]:
    """Hold a place against another one of the same header: its unit, and whether it agrees."""
    ra, dec_deg = pointing.ra, pointing.dec_deg
    if witness is None:
        if not ra.sure:
            taken = "hours" if ra.hours else "degrees"
            text = f"{ra.keyword} {ra.raw:g} could be hours or degrees; taken as {taken}"
            doubts.ask("ra-hours-or-degrees", text)
        return ra.degrees, dec_deg
    seen = witness.ra.degrees, witness.dec_deg
    readings = (ra.degrees,) if ra.sure else (ra.degrees, ra.if_degrees, ra.if_hours)
    nearest = min(readings, key=lambda ra_deg: separation_deg((ra_deg, dec_deg), seen))
    if separation_deg((nearest, dec_deg), seen) > _AGREE_DEG:
        _say_apart(pointing, witness, doubts)
        return seen if witness.solved else (ra.degrees, dec_deg)
    if nearest != ra.degrees:
        taken = "degrees" if ra.hours else "hours"
        text = f"{ra.keyword} {ra.raw:g} is in {taken}, as {witness.ra.keyword} shows"
        doubts.ask("ra-hours-or-degrees", text)
    return nearest, dec_deg


def _say_apart(pointing: Pointing, witness: Pointing, doubts: Doubts) -> None:
    first, other = (pointing.ra.degrees, pointing.dec_deg), (witness.ra.degrees, witness.dec_deg)
    by = "the world coordinates of the image's centre" if witness.solved else witness.ra.keyword
    text = (
        f"{pointing.ra.keyword} says right ascension {first[0]:.3f} deg, declination "
        f"{first[1]:.3f}, and {by} {other[0]:.3f}, {other[1]:.3f}, "
        f"{separation_deg(first, other):.1f} deg away"
    )
    doubts.ask("coordinates", f"{text}; the {'second' if witness.solved else 'first'} is believed")


def separation_deg(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Give the angle between two places (right ascension, declination), all in degrees.

    By the haversine, which keeps small angles (R. W. Sinnott, Sky & Telescope 68, 159, 1984).
    """
    ra_a, dec_a, ra_b, dec_b = map(math.radians, (*a, *b))
    h = math.sin((dec_a - dec_b) / 2) ** 2
    h += math.cos(dec_a) * math.cos(dec_b) * math.sin((ra_a - ra_b) / 2) ** 2
    return math.degrees(2 * math.asin(min(1.0, math.sqrt(h))))
