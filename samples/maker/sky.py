"""Where Sun, Moon and target stand, and how bright the sky is: low-precision formulas, offline."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from .scenario import Filter, Site

J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
# Illuminance law of Krisciunas and Schaefer 1991 is for V; used for every band here.
MOON_EXTINCTION_MAG = 0.17


@dataclass(frozen=True, slots=True)
class Direction:
    """A place on the celestial sphere."""

    ra_deg: float
    dec_deg: float


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Where things stand in the middle of an exposure."""

    altitude_deg: float
    azimuth_deg: float
    hour_angle_h: float
    airmass: float
    sun_alt_deg: float
    moon_alt_deg: float
    moon_sep_deg: float
    moon_lit: float  # illuminated fraction, 0 to 1


def _sin(deg: float) -> float:
    return math.sin(math.radians(deg))


def _cos(deg: float) -> float:
    return math.cos(math.radians(deg))


def days_since_j2000(at_utc: datetime) -> float:
    """Count days from 2000 January 1, 12h; UTC stands in for the uniform time scales."""
    return (at_utc - J2000).total_seconds() / 86400.0


def _equatorial(longitude_deg: float, latitude_deg: float, days: float) -> Direction:
    """Turn ecliptic coordinates into equatorial ones."""
    tilt = 23.439 - 4e-7 * days
    x = _cos(latitude_deg) * _cos(longitude_deg)
    y = _cos(tilt) * _cos(latitude_deg) * _sin(longitude_deg) - _sin(tilt) * _sin(latitude_deg)
    z = _sin(tilt) * _cos(latitude_deg) * _sin(longitude_deg) + _cos(tilt) * _sin(latitude_deg)
    return Direction(math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.asin(z)))


def sun(at_utc: datetime) -> Direction:
    """Place the Sun within 0.02 deg (low-precision formula of the Astronomical Almanac)."""
    days = days_since_j2000(at_utc)
    anomaly = 357.528 + 0.9856003 * days
    longitude = 280.460 + 0.9856474 * days + 1.915 * _sin(anomaly) + 0.020 * _sin(2 * anomaly)
    return _equatorial(longitude, 0.0, days)


def moon(at_utc: datetime) -> Direction:
    """Place the Moon within 0.3 deg, geocentric (low-precision formula of the same almanac)."""
    days = days_since_j2000(at_utc)
    t = days / 36525.0
    longitude = (
        218.32
        + 481267.881 * t
        + 6.29 * _sin(135.0 + 477198.87 * t)
        - 1.27 * _sin(259.3 - 413335.36 * t)
        + 0.66 * _sin(235.7 + 890534.22 * t)
        + 0.21 * _sin(269.9 + 954397.74 * t)
        - 0.19 * _sin(357.5 + 35999.05 * t)
        - 0.11 * _sin(186.5 + 966404.03 * t)
    )
    latitude = (
        5.13 * _sin(93.3 + 483202.02 * t)
        + 0.28 * _sin(228.2 + 960400.89 * t)
        - 0.28 * _sin(318.3 + 6003.15 * t)
        - 0.17 * _sin(217.6 - 407332.21 * t)
    )
    return _equatorial(longitude, latitude, days)


def hour_angle_deg(place: Direction, at_utc: datetime, site: Site) -> float:
    """Give the local hour angle, -180 to 180, west positive."""
    sidereal = 280.46062 + 360.98564737 * days_since_j2000(at_utc) + site.longitude_deg
    return (sidereal - place.ra_deg + 180.0) % 360.0 - 180.0


def altitude_azimuth(place: Direction, at_utc: datetime, site: Site) -> tuple[float, float]:
    """Give true altitude and azimuth (north through east) in degrees, without refraction."""
    angle = hour_angle_deg(place, at_utc, site)
    lat = site.latitude_deg
    sin_alt = _sin(lat) * _sin(place.dec_deg) + _cos(lat) * _cos(place.dec_deg) * _cos(angle)
    east = -_cos(place.dec_deg) * _sin(angle)
    north = _cos(lat) * _sin(place.dec_deg) - _sin(lat) * _cos(place.dec_deg) * _cos(angle)
    return math.degrees(math.asin(sin_alt)), math.degrees(math.atan2(east, north)) % 360.0


def moon_altitude(at_utc: datetime, site: Site) -> float:
    """Give the Moon's altitude seen from the ground: up to a degree lower than geocentric."""
    altitude, _ = altitude_azimuth(moon(at_utc), at_utc, site)
    return altitude - 0.951 * _cos(altitude)


def separation(one: Direction, other: Direction) -> float:
    """Give the angle between two places in degrees."""
    cosine = _sin(one.dec_deg) * _sin(other.dec_deg)
    cosine += _cos(one.dec_deg) * _cos(other.dec_deg) * _cos(one.ra_deg - other.ra_deg)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def airmass(altitude_deg: float) -> float:
    """Give the relative air mass (Kasten and Young 1989, Appl. Opt. 28, 4735)."""
    altitude = max(altitude_deg, 0.0)
    return float(1.0 / (_sin(altitude) + 0.50572 * (altitude + 6.07995) ** -1.6364))


def circumstances(place: Direction, at_utc: datetime, site: Site) -> Circumstances:
    """Work out everything about the sky that a frame taken then depends on."""
    altitude, azimuth = altitude_azimuth(place, at_utc, site)
    elongation = separation(sun(at_utc), moon(at_utc))
    return Circumstances(
        altitude_deg=altitude,
        azimuth_deg=azimuth,
        hour_angle_h=hour_angle_deg(place, at_utc, site) / 15.0,
        airmass=airmass(altitude),
        sun_alt_deg=altitude_azimuth(sun(at_utc), at_utc, site)[0],
        moon_alt_deg=moon_altitude(at_utc, site),
        moon_sep_deg=separation(place, moon(at_utc)),
        moon_lit=(1.0 - _cos(elongation)) / 2.0,
    )


def nanolamberts(mag_arcsec2: float) -> float:
    """Turn V mag per square arcsecond into nanolamberts (Krisciunas and Schaefer 1991, eq. 1)."""
    return 34.08 * math.exp(20.7233 - 0.92104 * mag_arcsec2)


def magnitudes(brightness_nl: float) -> float:
    """Turn nanolamberts into V mag per square arcsecond."""
    return (20.7233 - math.log(brightness_nl / 34.08)) / 0.92104


def _scattering_path(zenith_deg: float) -> float:
    """Give the optical path of Krisciunas and Schaefer 1991, eq. 3."""
    return float((1.0 - 0.96 * _sin(min(zenith_deg, 90.0)) ** 2) ** -0.5)


def moonlight_nl(
    zenith_deg: float,
    moon_zenith_deg: float,
    separation_deg: float,
    phase_deg: float,
    extinction_mag: float = MOON_EXTINCTION_MAG,
) -> float:
    """Give moonlight alone at one place of the sky.

    Parameters
    ----------
    zenith_deg, moon_zenith_deg : float
        Zenith distances of the place and of the Moon.
    separation_deg : float
        Angle between them.
    phase_deg : float
        The Moon's phase angle: 0 full, 90 quarter, 180 new.
    extinction_mag : float
        Magnitudes per air mass.

    Returns
    -------
    float
        Nanolamberts; 0 with the Moon below the horizon.

    Notes
    -----
    Krisciunas and Schaefer 1991, PASP 103, 1033, equations 15, 16, 19 to 21.
    """
    if moon_zenith_deg >= 90.0:
        return 0.0
    light = 10 ** (-0.4 * (3.84 + 0.026 * abs(phase_deg) + 4e-9 * phase_deg**4))
    rayleigh = 10**5.36 * (1.06 + _cos(separation_deg) ** 2)
    mie = 10 ** (6.15 - separation_deg / 40.0)
    moon_loss = 10 ** (-0.4 * extinction_mag * _scattering_path(moon_zenith_deg))
    scattered = 1.0 - 10 ** (-0.4 * extinction_mag * _scattering_path(zenith_deg))
    return float((rayleigh + mie) * light * moon_loss * scattered)


def twilight_nl(sun_alt_deg: float) -> float:
    """Give twilight alone: V 12 per square arcsecond at -6 deg, fading 1.15 mag a degree.

    A straight line laid by hand through published twilight photometry; it meets a dark sky near
    -14 deg and is nothing at -18.
    """
    return nanolamberts(12.0 + 1.15 * (-6.0 - sun_alt_deg))


def _dark_nl(at: Circumstances, band: Filter) -> float:
    """Give the moonless sky at a zenith distance (Krisciunas and Schaefer 1991, eq. 2)."""
    path = _scattering_path(90.0 - at.altitude_deg)
    loss = 10 ** (-0.4 * band.extinction_mag * (path - 1.0))
    return nanolamberts(band.dark_sky_mag) * path * loss


def _low_moon(moon_alt_deg: float) -> float:
    """Dim a Moon near the horizon, where the published path stops at 5 air masses.

    Without it the sky would jump at moonrise; with the full air mass (38 at the horizon) it
    brightens over half an hour.
    """
    longer = airmass(moon_alt_deg) - _scattering_path(90.0 - max(moon_alt_deg, 0.0))
    return float(10 ** (-0.4 * MOON_EXTINCTION_MAG * max(longer, 0.0)))


def brightness_mag(at: Circumstances, band: Filter) -> tuple[float, float]:
    """Give sky brightness in mag per square arcsecond: as it is, and without Moon and twilight."""
    dark = _dark_nl(at, band)
    phase = math.degrees(math.acos(2.0 * at.moon_lit - 1.0))
    moonlight = moonlight_nl(90.0 - at.altitude_deg, 90.0 - at.moon_alt_deg, at.moon_sep_deg, phase)
    moonlight *= _low_moon(at.moon_alt_deg)
    lit = dark + moonlight + twilight_nl(at.sun_alt_deg)
    return magnitudes(lit), magnitudes(dark)
