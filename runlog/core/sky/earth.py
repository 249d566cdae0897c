"""How the Earth turns, nods and moves: time scales, sidereal time, nutation, aberration.

Source: Meeus, Astronomical Algorithms (2nd ed.), chapters 11, 12, 21, 22 and 23, from memory; the
tests hold it against his examples, astropy and ephem.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from runlog.core.sky.night_sky import Site as Site
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg

Floats = npt.NDArray[np.float64]

DAYS_A_CENTURY = 36525.0
RADIUS_KM = 6378.14  # at the equator
_FLATTENING = 1 / 298.257
_ARCSEC = np.radians(1 / 3600)
_ABERRATION = 20.49552 * _ARCSEC  # the Earth's mean speed over that of light
_ECCENTRICITY = 0.0167
# TT - UTC: 32.184 s and the leap seconds of some years (IERS Bulletin C), a straight line between.
# It is within 2 s from 1972 on, in which the Moon moves by 0.0003 degrees.
_TT_YEARS = (1972.0, 1980.0, 1990.0, 1999.0, 2006.0, 2012.5, 2017.0)
_TT_MINUS_UTC_S = (42.184, 51.184, 57.184, 64.184, 65.184, 67.184, 69.184)


@dataclass(frozen=True, slots=True)
class Moments:
    """Moments, and how the Earth stood in each: all arrays (n,)."""

    centuries: Floats  # TT since J2000
    nutation: Floats  # in longitude, radians
    tilt: Floats  # of the equator to the ecliptic, nutation included, radians
    greenwich: Floats  # apparent sidereal time, radians, not reduced


def moments_of(times: Sequence[datetime]) -> Moments:
    """Prepare n timezone-aware moments."""
    return moments_at(np.array([days_since_j2000(moment) for moment in times], dtype=float))


def moments_at(days: Floats) -> Moments:
    """Prepare n moments by their days since J2000 UTC, (n,)."""
    centuries = (days + tt_minus_utc_s(days) / 86400) / DAYS_A_CENTURY
    nutation, nodding = nutation_of(centuries)
    tilt = mean_tilt(centuries) + nodding
    greenwich = np.radians(greenwich_sidereal_deg(days)) + nutation * np.cos(tilt)
    return Moments(centuries, nutation, tilt, greenwich)


def tt_minus_utc_s(days: Floats) -> Floats:
    """Give Terrestrial Time minus UTC in seconds for days (n,) since J2000, within 2 s."""
    return np.interp(2000.0 + days / 365.25, _TT_YEARS, _TT_MINUS_UTC_S)


def nutation_of(centuries: Floats) -> tuple[Floats, Floats]:
    """Compute nutation in longitude and in obliquity, (n,) radians, within 0.5 arcsec.

    Meeus, chapter 22, the short form.
    """
    node = np.radians(125.04452 - 1934.136261 * centuries)
    sun = 2 * np.radians(280.4665 + 36000.7698 * centuries)
    moon = 2 * np.radians(218.3165 + 481267.8813 * centuries)
    longitude = (
        -17.20 * np.sin(node) - 1.32 * np.sin(sun) - 0.23 * np.sin(moon) + 0.21 * np.sin(2 * node)
    )
    obliquity = (
        9.20 * np.cos(node) + 0.57 * np.cos(sun) + 0.10 * np.cos(moon) - 0.09 * np.cos(2 * node)
    )
    return longitude * _ARCSEC, obliquity * _ARCSEC


def mean_tilt(centuries: Floats) -> Floats:
    """Compute the mean obliquity of the ecliptic, (n,) radians (Meeus 22.2)."""
    t = centuries
    return np.asarray(np.radians(23.4392911 - t * (46.8150 + t * (0.00059 - 0.001813 * t)) / 3600))


def to_equator(longitude: Floats, latitude: Floats, tilt: Floats) -> Floats:
    """Turn ecliptic angles (n,) in radians into unit vectors on the equator, (3, n)."""
    x = np.cos(latitude) * np.cos(longitude)
    y = np.cos(latitude) * np.sin(longitude)
    z = np.sin(latitude) * np.ones_like(longitude)
    return np.stack([x, y * np.cos(tilt) - z * np.sin(tilt), y * np.sin(tilt) + z * np.cos(tilt)])


def observer(site: Site, greenwich: Floats) -> tuple[Floats, Floats]:
    """Give the site from the Earth's centre in km and its zenith, (3, n) each (chapter 11)."""
    latitude = np.radians(site.latitude_deg)
    local = greenwich + np.radians(site.longitude_deg)
    height = site.elevation_m / 1000 / RADIUS_KM
    reduced = np.arctan((1 - _FLATTENING) * np.tan(latitude))
    across = np.cos(reduced) + height * np.cos(latitude)
    along = (1 - _FLATTENING) * np.sin(reduced) + height * np.sin(latitude)
    level = np.stack([np.cos(local), np.sin(local), np.ones_like(local)])
    place = level * np.array([[across], [across], [along]]) * RADIUS_KM
    zenith = level * np.array([[np.cos(latitude)], [np.cos(latitude)], [np.sin(latitude)]])
    return place, zenith


def altitude_deg(seen: Floats, zenith: Floats) -> Floats:
    """Give the geometric altitude, (n,) degrees, of vectors (3, n) of any length."""
    sine = (seen * zenith).sum(axis=0) / np.linalg.norm(seen, axis=0)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def apparent(ra_deg: Floats, dec_deg: Floats, moments: Moments, sun_longitude: Floats) -> Floats:
    """Carry catalogue places (n,) of J2000 to the equator of date: unit vectors, (3, n).

    Precession (Meeus 21.3), nutation, and aberration by a round orbit; good to an arc second.
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    t = moments.centuries
    zeta = t * (2306.2181 + t * (0.30188 + 0.017998 * t)) * _ARCSEC
    z = t * (2306.2181 + t * (1.09468 + 0.018203 * t)) * _ARCSEC
    theta = t * (2004.3109 - t * (0.42665 + 0.041833 * t)) * _ARCSEC
    a = np.cos(dec) * np.sin(ra + zeta)
    b = np.cos(theta) * np.cos(dec) * np.cos(ra + zeta) - np.sin(theta) * np.sin(dec)
    c = np.sin(theta) * np.cos(dec) * np.cos(ra + zeta) + np.cos(theta) * np.sin(dec)
    of_date = np.arctan2(a, b) + z
    mean = np.stack([np.hypot(a, b) * np.cos(of_date), np.hypot(a, b) * np.sin(of_date), c])
    return _nutated(mean, moments) + _velocity(moments, sun_longitude)


def _nutated(mean: Floats, moments: Moments) -> Floats:
    """Turn from the mean to the true equator of date, through the ecliptic."""
    tilt = mean_tilt(moments.centuries)
    x, y, z = mean[0], *_tilted(mean[1], mean[2], -tilt)
    nutation = moments.nutation
    x, y = x * np.cos(nutation) - y * np.sin(nutation), x * np.sin(nutation) + y * np.cos(nutation)
    return np.stack([x, *_tilted(y, z, moments.tilt)])


def _tilted(y: Floats, z: Floats, by: Floats) -> tuple[Floats, Floats]:
    return y * np.cos(by) - z * np.sin(by), y * np.sin(by) + z * np.cos(by)


def _velocity(moments: Moments, sun_longitude: Floats) -> Floats:
    """Give the Earth's velocity over that of light, on the equator of date, (3, n)."""
    perihelion = np.radians(102.937 + 1.7195 * moments.centuries)
    x = np.sin(sun_longitude) - _ECCENTRICITY * np.sin(perihelion)
    y = -np.cos(sun_longitude) + _ECCENTRICITY * np.cos(perihelion)
    return np.asarray(_ABERRATION * np.stack([x, *_tilted(y, np.zeros_like(y), moments.tilt)]))
