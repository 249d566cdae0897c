"""Places in the sky: how far apart, how they are named, how a name can be one."""

import math
import re

_COORDINATES = re.compile(
    r"(?:\A|\s|ra|j|[^0-9a-z])\s*(?P<h>[0-2]?\d)\s?[h:\s]\s?(?P<m>[0-5]?\d)"
    r"(?:\s?[m:\s'′]\s?(?P<s>[0-5]?\d(?:\.\d+)?)?)?\s?[s\"″]?[\s,;/_]*(?:dec|d)?[\s:=]*"
    r"(?P<sign>[+\-−])\s?(?P<d>[0-8]?\d|90)\s?[d°º:\s]\s?(?P<dm>[0-5]?\d)"
    r"(?:\s?[m:\s'′]\s?(?P<ds>[0-5]?\d(?:\.\d+)?)?)?",
    re.IGNORECASE,
)


def apart_deg(ra_a_deg: float, dec_a_deg: float, ra_b_deg: float, dec_b_deg: float) -> float:
    """Give the angle between two places (haversine formula, exact for small angles)."""
    ra_a, dec_a, ra_b, dec_b = map(math.radians, (ra_a_deg, dec_a_deg, ra_b_deg, dec_b_deg))
    half = (
        math.sin((dec_a - dec_b) / 2) ** 2
        + math.cos(dec_a) * math.cos(dec_b) * math.sin((ra_a - ra_b) / 2) ** 2
    )
    return math.degrees(2 * math.asin(min(1.0, math.sqrt(half))))


def place_name(ra_deg: float, dec_deg: float) -> str:
    """Name a place by its coordinates, JHHMM+DDMM, cut off and not rounded, as the IAU asks.

    Source: IAU Specifications concerning designations for astronomical radiation sources.
    """
    minutes = int((ra_deg % 360.0) * 4)
    arcmin = int(abs(dec_deg) * 60)
    sign = "-" if dec_deg < 0 else "+"
    return f"J{minutes // 60:02d}{minutes % 60:02d}{sign}{arcmin // 60:02d}{arcmin % 60:02d}"


def read_place(text: str) -> tuple[float, float] | None:
    """Read right ascension and declination from a name such as "20h59m17s +44d31m"."""
    match = _COORDINATES.search(text)
    if match is None:
        return None
    hours = int(match["h"]) + int(match["m"]) / 60 + float(match["s"] or 0) / 3600
    degrees = int(match["d"]) + int(match["dm"]) / 60 + float(match["ds"] or 0) / 3600
    if hours >= 24 or degrees > 90:
        return None
    return hours * 15, degrees if match["sign"] == "+" else -degrees


def written_place(ra_deg: float, dec_deg: float) -> str:
    """Write right ascension and declination as `read_place` reads them, to a minute of arc."""
    seconds, minutes = round(ra_deg / 15 * 3600) % 86_400, round(abs(dec_deg) * 60)
    ra = f"{seconds // 3600}h{seconds // 60 % 60:02d}m{seconds % 60:02d}s"
    return f"{ra} {'-' if dec_deg < 0 else '+'}{minutes // 60}d{minutes % 60:02d}m"
