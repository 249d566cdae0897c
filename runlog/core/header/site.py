"""Where the rig stands, as a header says it."""

import math
from typing import NamedTuple

from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.header.coordinates import parse_angle
from runlog.core.header.longitude import Taken, read_longitude
from runlog.core.header.questions import Doubts

# WGS 84, the ellipsoid the standard names for OBSGEO-X, -Y and -Z.
_EQUATOR_M, _FLATTENING = 6_378_137.0, 1 / 298.257223563
_GROUND_M = (6_350_000.0, 6_390_000.0)  # from the Earth's centre: the poles to the highest mountain


class Site(NamedTuple):
    """Where the rig stands; longitude east positive."""

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None


NOT_SAID = Taken()


def read_site(index: CardIndex, doubts: Doubts, taken: Taken = NOT_SAID) -> Site:
    """Give the site; a longitude is east positive unless something in the header contradicts it."""
    latitude_deg = _latitude_deg(index, doubts)
    longitude_deg = read_longitude(index, latitude_deg, taken, doubts)
    site = Site(latitude_deg, longitude_deg, _elevation_m(index, doubts))
    if latitude_deg == 0 and longitude_deg == 0:
        doubts.ask("site", "latitude and longitude are both exactly zero: the site was never set")
        site = Site(elevation_m=site.elevation_m)
    if site.latitude_deg is None and site.longitude_deg is None:
        return _from_centre(index) or site
    return site


def _latitude_deg(index: CardIndex, doubts: Doubts) -> float | None:
    for card in index.all("latitude"):
        angle = None if card.value is None else parse_angle(card.value)
        if angle is None:
            continue
        value = -abs(angle.value) if angle.hemisphere == "S" else angle.value
        if -90 <= value <= 90:
            return value
        doubts.ask("site", f"{card.keyword} {card.value}: a latitude lies between -90 and 90")
    return None


def _elevation_m(index: CardIndex, doubts: Doubts) -> float | None:
    cards = list(index.all("elevation"))
    cards += [card for card in index.all("altitude_of_something") if "met" in card.comment.lower()]
    for card in cards:
        found = number_and_unit(card)
        if found is None:
            continue
        value = found[0] * 0.3048 if found[1].lower() in ("ft", "feet") else found[0]
        if -450 <= value <= 9000:  # the Dead Sea shore to above the highest mountain
            return value
        doubts.ask("site", f"{card.keyword} {card.value}: no site lies that high or low")
    return None


def _from_centre(index: CardIndex) -> Site | None:
    """Turn OBSGEO-X, -Y, -Z (metres from the Earth's centre, FITS Standard 4.0) to a site."""
    found = [index.get(f"OBSGEO{axis}") for axis in "XYZ"]
    numbers = [number_and_unit(card) for card in found if card is not None]
    if len(numbers) != 3 or None in numbers:
        return None
    x, y, z = (number[0] for number in numbers if number is not None)
    if not _GROUND_M[0] <= math.hypot(x, y, z) <= _GROUND_M[1]:
        return None
    return _geodetic(x, y, z)


def _geodetic(x: float, y: float, z: float) -> Site:
    """Solve for the geodetic latitude by iteration; three rounds are good to a millimetre."""
    squared = _FLATTENING * (2 - _FLATTENING)
    across = math.hypot(x, y)
    latitude, height = math.atan2(z, across * (1 - squared)), 0.0
    for _ in range(3):
        normal = _EQUATOR_M / math.sqrt(1 - squared * math.sin(latitude) ** 2)
        height = across * math.cos(latitude) + z * math.sin(latitude)
        height -= _EQUATOR_M**2 / normal
        latitude = math.atan2(z, across * (1 - squared * normal / (normal + height)))
    return Site(math.degrees(latitude), math.degrees(math.atan2(y, x)), height)
