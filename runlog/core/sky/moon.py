"""When the Moon rises and sets, as almanacs define it, without astropy's second of imports.

Sources: Meeus, Astronomical Algorithms (2nd ed.), chapters 11, 22, 40, 47 and 55 (tables from
memory, checked against example 47.a, astropy and ephem in the tests); the U.S. Naval Observatory's
definition of rising and setting: the upper limb is on the horizon, refraction there is 34 arcmin.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from runlog.core.sky.ephemeris import TT_MINUS_UTC_S, Floats, Site, days_of
from runlog.core.sky.sidereal import greenwich_sidereal_deg

REFRACTION_DEG = 34 / 60
_EARTH_RADIUS_KM = 6378.14
_FLATTENING = 1 / 298.257
_MOON_RADIUS = 0.272481  # of the Earth's (Meeus, chapter 55)
_STEP = timedelta(minutes=5)
_FINE = 60  # parts of a step: crossings to a few seconds

# Multiples of D, M, M', F; then longitude in 1e-6 degrees (sines) and distance in metres (cosines).
_LONGITUDE = np.array([
    (0, 0, 1, 0, 6288774, -20905355), (2, 0, -1, 0, 1274027, -3699111),
    (2, 0, 0, 0, 658314, -2955968), (0, 0, 2, 0, 213618, -569925),
    (0, 1, 0, 0, -185116, 48888), (0, 0, 0, 2, -114332, -3149),
    (2, 0, -2, 0, 58793, 246158), (2, -1, -1, 0, 57066, -152138),
    (2, 0, 1, 0, 53322, -170733), (2, -1, 0, 0, 45758, -204586),
    (0, 1, -1, 0, -40923, -129620), (1, 0, 0, 0, -34720, 108743),
    (0, 1, 1, 0, -30383, 104755), (2, 0, 0, -2, 15327, 10321),
    (0, 0, 1, 2, -12528, 0), (0, 0, 1, -2, 10980, 79661),
    (4, 0, -1, 0, 10675, -34782), (0, 0, 3, 0, 10034, -23210),
    (4, 0, -2, 0, 8548, -21636), (2, 1, -1, 0, -7888, 24208),
    (2, 1, 0, 0, -6766, 30824), (1, 0, -1, 0, -5163, -8379),
    (1, 1, 0, 0, 4987, -16675), (2, -1, 1, 0, 4036, -12831),
    (2, 0, 2, 0, 3994, -10445), (4, 0, 0, 0, 3861, -11650),
    (2, 0, -3, 0, 3665, 14403), (0, 1, -2, 0, -2689, -7003),
    (2, 0, -1, 2, -2602, 0), (2, -1, -2, 0, 2390, 10056),
    (1, 0, 1, 0, -2348, 6322), (2, -2, 0, 0, 2236, -9884),
    (0, 1, 2, 0, -2120, 5751), (0, 2, 0, 0, -2069, 0),
    (2, -2, -1, 0, 2048, -4950), (2, 0, 1, -2, -1773, 4130),
    (2, 0, 0, 2, -1595, 0), (4, -1, -1, 0, 1215, -3958),
    (0, 0, 2, 2, -1110, 0),
], dtype=np.float64)  # fmt: skip
# Multiples of D, M, M', F; then latitude in 1e-6 degrees (sines).
_LATITUDE = np.array([
    (0, 0, 0, 1, 5128122), (0, 0, 1, 1, 280602), (0, 0, 1, -1, 277693), (2, 0, 0, -1, 173237),
    (2, 0, -1, 1, 55413), (2, 0, -1, -1, 46271), (2, 0, 0, 1, 32573), (0, 0, 2, 1, 17198),
    (2, 0, 1, -1, 9266), (0, 0, 2, -1, 8822), (2, -1, 0, -1, 8216), (2, 0, -2, -1, 4324),
    (2, 0, 1, 1, 4200), (2, 1, 0, -1, -3359), (2, -1, -1, 1, 2463), (2, -1, 0, 1, 2211),
    (2, -1, -1, -1, 2065), (0, 1, -1, -1, -1870), (4, 0, -1, -1, 1828), (0, 1, 0, 1, -1794),
    (0, 0, 0, 3, -1749), (0, 1, -1, 1, -1565), (1, 0, 0, 1, -1491), (0, 1, 1, 1, -1475),
    (0, 1, 1, -1, -1410), (0, 1, 0, -1, -1344), (1, 0, 0, -1, -1335), (0, 0, 3, 1, 1107),
    (4, 0, 0, -1, 1021),
], dtype=np.float64)  # fmt: skip


class Crossing(NamedTuple):
    """The Moon's upper limb on the horizon: rising, or setting."""

    at: datetime
    rises: bool


class Place(NamedTuple):
    """Ecliptic longitude and latitude of date in degrees, distance in km; (n,) each."""

    longitude_deg: Floats
    latitude_deg: Floats
    distance_km: Floats


def moon_crossings(start: datetime, end: datetime, site: Site) -> list[Crossing]:
    """Find every moonrise and moonset from start to end (aware), good to ten seconds.

    Upper limb, refraction of 34 arcmin, no dip for the height of the site: what almanacs print.
    """
    times = list(_grid(start, end))
    height = upper_limb_deg(times, site)
    found = []
    for i, (a, b) in enumerate(pairwise(times)):
        if (height[i] > 0) != (height[i + 1] > 0):
            found.append(Crossing(_refined(a, b, site), bool(height[i + 1] > 0)))
    return found


def _grid(start: datetime, end: datetime) -> Iterator[datetime]:
    now = start
    while now < end:
        yield now
        now += _STEP
    yield end


def _refined(a: datetime, b: datetime, site: Site) -> datetime:
    times = [a + (b - a) * (i / _FINE) for i in range(_FINE + 1)]
    up = upper_limb_deg(times, site) > 0
    i = int(np.flatnonzero(up[1:] != up[:-1])[0])
    return times[i] + (times[i + 1] - times[i]) / 2


def upper_limb_deg(times: Sequence[datetime], site: Site) -> Floats:
    """Compute how far the Moon's upper limb stands above the horizon as it is seen.

    Parameters
    ----------
    times : n moments, timezone-aware.

    Returns
    -------
    (n,) degrees, within 0.01 from 1950 to 2050: altitude of the centre as seen from the site
    (parallax included), plus semidiameter, plus 34 arcmin; above the horizon only its sign counts.
    """
    days = days_of(times)
    where = moon_place(days + TT_MINUS_UTC_S / 86400)
    moon_km = _equatorial_km(where, days)
    observer_km, zenith = _observer(site, np.radians(greenwich_sidereal_deg(days)))
    seen_km = moon_km - observer_km
    far_km = np.linalg.norm(seen_km, axis=0)
    sine = (seen_km * zenith).sum(axis=0) / far_km
    radius = np.arcsin(_MOON_RADIUS * _EARTH_RADIUS_KM / far_km)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1)) + radius) + REFRACTION_DEG)


def moon_place(days: Floats) -> Place:
    """Compute the Moon's place for days (n,) since J2000 TT, within 0.004 degrees and 30 km.

    Meeus, chapter 47, terms above 0.001 degrees; nutation in longitude is added.
    """
    t = days / 36525
    mean_deg = 218.3164477 + 481267.88123421 * t - 0.0015786 * t**2
    angles_deg = np.stack([
        297.8501921 + 445267.1114034 * t - 0.0018819 * t**2,  # D, elongation
        357.5291092 + 35999.0502909 * t - 0.0001536 * t**2,  # M, the Sun's anomaly
        134.9633964 + 477198.8675055 * t + 0.0087414 * t**2,  # M', the Moon's anomaly
        93.2720950 + 483202.0175233 * t - 0.0036539 * t**2,  # F, argument of latitude
    ])  # fmt: skip
    angles = np.radians(angles_deg)
    eccentricity = 1 - 0.002516 * t - 0.0000074 * t**2
    longitude, distance = _summed(_LONGITUDE, angles, eccentricity)
    latitude, _ = _summed(_LATITUDE, angles, eccentricity)
    mean = np.radians(mean_deg)
    venus, jupiter = np.radians(119.75 + 131.849 * t), np.radians(53.09 + 479264.290 * t)
    longitude += 3958 * np.sin(venus) + 1962 * np.sin(mean - angles[3]) + 318 * np.sin(jupiter)
    latitude -= 2235 * np.sin(mean)
    node = np.radians(125.04452 - 1934.136261 * t)
    nutation_deg = -17.20 / 3600 * np.sin(node)
    return Place(
        mean_deg + longitude / 1e6 + nutation_deg, latitude / 1e6, 385000.56 + distance / 1e3
    )


def _summed(table: Floats, angles: Floats, eccentricity: Floats) -> tuple[Floats, Floats]:
    """Sum sines times the first amplitude and cosines times the last, M's terms scaled by E."""
    arguments = table[:, :4] @ angles
    scale = eccentricity ** np.abs(table[:, 1])[:, None]
    sines = (table[:, 4, None] * scale * np.sin(arguments)).sum(axis=0)
    cosines = (table[:, -1, None] * scale * np.cos(arguments)).sum(axis=0)
    return sines, cosines


def _equatorial_km(where: Place, days: Floats) -> Floats:
    """Turn to the equator of date: (3, n) in km."""
    t = days / 36525
    tilt = np.radians(23.4392911 - 0.0130042 * t) + np.radians(9.20 / 3600) * np.cos(
        np.radians(125.04452 - 1934.136261 * t)
    )
    longitude, latitude = np.radians(where.longitude_deg), np.radians(where.latitude_deg)
    x = np.cos(latitude) * np.cos(longitude)
    y = np.cos(latitude) * np.sin(longitude)
    z = np.sin(latitude)
    turned = [x, y * np.cos(tilt) - z * np.sin(tilt), y * np.sin(tilt) + z * np.cos(tilt)]
    return np.stack(turned) * where.distance_km


def _observer(site: Site, greenwich: Floats) -> tuple[Floats, Floats]:
    """Give the site from the Earth's centre in km and its zenith, (3, n) each (chapter 11)."""
    latitude = np.radians(site.latitude_deg)
    local = greenwich + np.radians(site.longitude_deg)
    height = site.elevation_m / 1000 / _EARTH_RADIUS_KM
    reduced = np.arctan((1 - _FLATTENING) * np.tan(latitude))
    across = np.cos(reduced) + height * np.cos(latitude)
    along = (1 - _FLATTENING) * np.sin(reduced) + height * np.sin(latitude)
    level = np.stack([np.cos(local), np.sin(local), np.ones_like(local)])
    place = level * np.array([[across], [across], [along]]) * _EARTH_RADIUS_KM
    zenith = level * np.array([[np.cos(latitude)], [np.cos(latitude)], [np.sin(latitude)]])
    return place, zenith
