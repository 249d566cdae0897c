"""Sun, Moon, altitude and airmass for the times of a run (astropy, offline)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg

ASTRONOMICAL_TWILIGHT_DEG = -18.0
TT_MINUS_UTC_S = 69.2  # since 2017; a minute more or less moves the Sun by 0.0007 degrees
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Site:
    """A place on Earth; longitude east positive."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


@dataclass(frozen=True, slots=True)
class SkyContext:
    """Where Sun, Moon and target stood, one entry a moment, in degrees; NaN when unknown."""

    sun_alt_deg: Floats
    moon_alt_deg: Floats
    moon_sep_deg: Floats
    target_alt_deg: Floats


def airmass_of(altitude_deg: Floats) -> Floats:
    """Compute relative airmass from apparent altitude (n,) in degrees; NaN below the horizon.

    Pickering 2002, DIO 12: X = 1 / sin(h + 244 / (165 + 47 h^1.1)).
    """
    h = np.where(altitude_deg > 0, altitude_deg, np.nan)
    return np.asarray(1 / np.sin(np.radians(h + 244 / (165 + 47 * h**1.1))))


@cache
def _offline() -> None:
    """Keep astropy from asking the network for Earth rotation tables."""
    from astropy.utils import iers

    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    iers.conf.iers_degraded_accuracy = "warn"


def _frame_at(times: Sequence[datetime], site: Site) -> tuple[Any, Any, Any]:
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation
    from astropy.time import Time

    _offline()
    location = EarthLocation.from_geodetic(
        site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.elevation_m * u.m
    )
    moments = Time([t.replace(tzinfo=None) for t in times], scale="utc")
    return moments, location, AltAz(obstime=moments, location=location)


def sky_context(
    times: Sequence[datetime],
    site: Site,
    ra_deg: Floats,
    dec_deg: Floats,
) -> SkyContext:
    """Compute altitudes of Sun, Moon and target and the Moon's distance from the target.

    Parameters
    ----------
    times : n moments, UTC.
    ra_deg, dec_deg : (n,) target coordinates, ICRS degrees; NaN where unknown.
    """
    import astropy.units as u
    from astropy.coordinates import SkyCoord, get_body, get_sun

    moments, location, horizon = _frame_at(times, site)
    sun = get_sun(moments).transform_to(horizon)
    moon = get_body("moon", moments, location).transform_to(horizon)
    known = np.isfinite(ra_deg) & np.isfinite(dec_deg)
    target = SkyCoord(
        np.where(known, ra_deg, 0) * u.deg, np.where(known, dec_deg, 0) * u.deg
    ).transform_to(horizon)
    return SkyContext(
        sun.alt.deg,
        moon.alt.deg,
        np.where(known, target.separation(moon).deg, np.nan),
        np.where(known, target.alt.deg, np.nan),
    )


def sun_altitude_deg(times: Sequence[datetime], site: Site) -> Floats:
    """Compute the Sun's geometric altitude to 0.01 degrees, without astropy's second of imports.

    Parameters
    ----------
    times : n moments, timezone-aware.

    Returns
    -------
    (n,) degrees. Meeus, Astronomical Algorithms, chapter 25 (low accuracy), 12.4 and 13.6.
    """
    days = days_of(times)
    ra, dec = _sun_place(days + TT_MINUS_UTC_S / 86400)
    hour_angle = np.radians(greenwich_sidereal_deg(days) + site.longitude_deg) - ra
    latitude = np.radians(site.latitude_deg)
    sine = np.sin(latitude) * np.sin(dec) + np.cos(latitude) * np.cos(dec) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def days_of(times: Sequence[datetime]) -> Floats:
    """Count days since 2000-01-01 12h UTC of aware moments, (n,)."""
    return np.array([days_since_j2000(moment) for moment in times])


def _sun_place(days: Floats) -> tuple[Floats, Floats]:
    """Give the Sun's apparent right ascension and declination in radians (Meeus, chapter 25)."""
    t = days / 36525
    anomaly = np.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    centre_deg = (
        (1.914602 - t * (0.004817 + 0.000014 * t)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * t)
    mean_deg = 280.46646 + t * (36000.76983 + 0.0003032 * t)
    longitude = np.radians(mean_deg + centre_deg - 0.00569 - 0.00478 * np.sin(node))
    tilt = np.radians(23.439291 - 0.0130042 * t + 0.00256 * np.cos(node))
    ra = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    return np.asarray(ra), np.asarray(np.arcsin(np.sin(tilt) * np.sin(longitude)))


def dark_window(evening_noon_utc: datetime, site: Site) -> tuple[datetime, datetime] | None:
    """Find when the Sun is 18 degrees down, to a minute; None when it never is.

    `evening_noon_utc` is local noon before the night.
    """
    coarse = [evening_noon_utc + timedelta(minutes=5 * i) for i in range(289)]
    altitude = sun_altitude_deg(coarse, site)
    down = np.flatnonzero(altitude < ASTRONOMICAL_TWILIGHT_DEG)
    if down.size == 0:
        return None
    return _crossing(coarse, altitude, down[0] - 1), _crossing(coarse, altitude, down[-1])


def _crossing(times: Sequence[datetime], altitude: Floats, i: int) -> datetime:
    """Interpolate the moment between samples i and i + 1 at which twilight ends or begins."""
    if i < 0 or i + 1 >= len(times):
        return times[max(0, min(i, len(times) - 1))]
    share = (ASTRONOMICAL_TWILIGHT_DEG - altitude[i]) / (altitude[i + 1] - altitude[i])
    return times[i] + (times[i + 1] - times[i]) * float(share)
