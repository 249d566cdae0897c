"""Sun, Moon, altitude and airmass for the times of a run: by formulae, for an import of numpy."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from runlog.core.sky.earth import (
    Floats,
    Site,
    altitude_deg,
    apparent,
    moments_of,
    observer,
)
from runlog.core.sky.moon_place import moon_km, moon_place
from runlog.core.sky.sun import sun_km, sun_place

ASTRONOMICAL_TWILIGHT_DEG = -18.0
DIGITS = 6  # of degrees, and of an airmass


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


def sky_context(
    times: Sequence[datetime], site: Site, ra_deg: Floats, dec_deg: Floats
) -> SkyContext:
    """Compute altitudes of Sun, Moon and target and the Moon's distance from the target.

    Geometric altitudes, as seen from the site (parallax included), within 0.005 degrees.

    Parameters
    ----------
    times : n moments, timezone-aware.
    ra_deg, dec_deg : (n,) target coordinates, ICRS degrees; NaN where unknown.
    """
    moments = moments_of(times)
    here_km, zenith = observer(site, moments.greenwich)
    sun = sun_place(moments.centuries)
    moon = moon_km(moon_place(moments.centuries), moments) - here_km
    target = apparent(np.asarray(ra_deg), np.asarray(dec_deg), moments, sun.longitude)
    return SkyContext(
        rounded(altitude_deg(sun_km(sun, moments) - here_km, zenith)),
        rounded(altitude_deg(moon, zenith)),
        rounded(_apart_deg(target, moon)),
        rounded(altitude_deg(target, zenith)),
    )


def rounded(value: Floats) -> Floats:
    """Round to a thousandth of what the theory knows.

    The last bits depend on how many moments are reckoned at once, and no number may depend on
    which frames were scanned together.
    """
    return np.asarray(np.round(value, DIGITS))


def _apart_deg(a: Floats, b: Floats) -> Floats:
    """Give the angle between vectors (3, n) of any length, (n,) degrees."""
    across = np.linalg.norm(np.cross(a, b, axis=0), axis=0)
    return np.asarray(np.degrees(np.arctan2(across, (a * b).sum(axis=0))))


def sun_altitude_deg(times: Sequence[datetime], site: Site) -> Floats:
    """Compute the Sun's geometric altitude, (n,) degrees, for n timezone-aware moments."""
    moments = moments_of(times)
    here_km, zenith = observer(site, moments.greenwich)
    return altitude_deg(sun_km(sun_place(moments.centuries), moments) - here_km, zenith)


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
