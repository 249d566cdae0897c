"""Sun, Moon and targets over the moments of a night or of many, all at once.

Moments are days since J2000 UTC: local time is for show, as a night's wall clock may have 23 hours.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np

from runlog.core.plan.settings import PlanSettings
from runlog.core.sky.earth import (
    Floats,
    Moments,
    Site,
    altitude_deg,
    apparent,
    moments_at,
    observer,
)
from runlog.core.sky.moon_phase import phase_angles_deg
from runlog.core.sky.moon_place import moon_km, moon_place
from runlog.core.sky.sidereal import J2000_UTC
from runlog.core.sky.sun import sun_km, sun_place

MINUTE = 1 / 1440.0  # days
SIDEREAL_DEG_A_DAY = 360.98564736629  # Meeus, 12.4
FINE_MIN = 1.0


def moment_of(day: float) -> datetime:
    """Turn days since J2000 into a moment, to the second."""
    return J2000_UTC + timedelta(seconds=round(day * 86400))


def night_name(noon: float, site: Site, later: int) -> str:
    """Give the evening's date of a night to come, from local noon in days."""
    east_deg = (site.longitude_deg + 180) % 360 - 180
    local = moment_of(noon) + timedelta(days=later, hours=east_deg / 15, minutes=1)
    return local.date().isoformat()


@dataclass(frozen=True)
class SkyGrid:
    """The sky over one site at n moments."""

    days: Floats
    site: Site

    @cached_property
    def moments(self) -> Moments:
        """How the Earth stood."""
        return moments_at(self.days)

    @cached_property
    def _observer(self) -> tuple[Floats, Floats]:
        return observer(self.site, self.moments.greenwich)

    @cached_property
    def zenith(self) -> Floats:
        """Unit vectors, (3, n), on the equator of date."""
        return self._observer[1]

    @cached_property
    def sun_alt_deg(self) -> Floats:
        """Geometric altitude of the Sun's centre, (n,)."""
        sun = sun_km(sun_place(self.moments.centuries), self.moments)
        return altitude_deg(sun - self._observer[0], self.zenith)

    @cached_property
    def moon(self) -> Floats:
        """Unit vectors from the site to the Moon, (3, n)."""
        seen = moon_km(moon_place(self.moments.centuries), self.moments) - self._observer[0]
        return np.asarray(seen / np.linalg.norm(seen, axis=0))

    @cached_property
    def moon_alt_deg(self) -> Floats:
        """Geometric altitude of the Moon's centre, parallax included, (n,)."""
        return altitude_deg(self.moon, self.zenith)

    @cached_property
    def moon_phase_deg(self) -> Floats:
        """Phase angle, 0 at full Moon, (n,)."""
        return phase_angles_deg(self.moments.centuries)

    @cached_property
    def sidereal(self) -> Floats:
        """Local apparent sidereal time, (n,) radians."""
        return np.asarray(self.moments.greenwich + np.radians(self.site.longitude_deg))


class Skies:
    """Skies that were reckoned already: plans of one site look at the same nights."""

    def __init__(self) -> None:
        self._known: dict[tuple[bytes, Site], SkyGrid] = {}

    def at(self, days: Floats, site: Site) -> SkyGrid:
        """Give the sky over a site at some moments."""
        return self._known.setdefault((days.tobytes(), site), SkyGrid(days, site))


@dataclass(frozen=True)
class Tracks:
    """Where m targets stand at the moments of a grid: arrays (m, n), degrees."""

    alt_deg: Floats
    az_deg: Floats
    hour_angle_deg: Floats  # -180 to 180, west positive
    moon_sep_deg: Floats


def tracks(grid: SkyGrid, ra_deg: Floats, dec_deg: Floats) -> Tracks:
    """Follow targets (m,), J2000, over a grid.

    Their apparent places are taken once, in the middle: in a night they move by less than an arc
    second, in a year by less than an arc minute.
    """
    seen = apparent_places(grid, ra_deg, dec_deg)
    latitude = np.radians(grid.site.latitude_deg)
    sine, cosine = np.sin(grid.sidereal), np.cos(grid.sidereal)
    flat = np.zeros_like(sine)
    north = np.stack([
        -np.sin(latitude) * cosine, -np.sin(latitude) * sine, flat + np.cos(latitude)
    ])  # fmt: skip
    east = np.stack([-sine, cosine, flat])
    up = np.clip(seen.T @ grid.zenith, -1, 1)
    azimuth = np.degrees(np.arctan2(seen.T @ east, seen.T @ north)) % 360.0
    right = np.arctan2(seen[1], seen[0])
    angle = np.degrees(grid.sidereal[None, :] - right[:, None])
    apart = np.degrees(np.arccos(np.clip(seen.T @ grid.moon, -1, 1)))
    return Tracks(np.degrees(np.arcsin(up)), azimuth, (angle + 180) % 360 - 180, apart)


def apparent_places(grid: SkyGrid, ra_deg: Floats, dec_deg: Floats) -> Floats:
    """Give unit vectors (3, m) on the equator of the grid's middle."""
    middle = moments_at(np.array([grid.days[len(grid.days) // 2]]))
    sun = sun_place(middle.centuries)
    seen = apparent(np.asarray(ra_deg), np.asarray(dec_deg), middle, sun.longitude)
    return np.asarray(seen / np.linalg.norm(seen, axis=0))


# --- rises and sets -------------------------------------------------------------------------

Height = Callable[[Floats], Floats]  # degrees above what is asked about, for days (n,)


def spans_above(days: Floats, height: Height) -> list[tuple[float, float]]:
    """Find when a height is above 0, from the first of the days to the last.

    Days (n,) rise evenly, a few minutes apart; each crossing is looked for again a minute apart and
    then along a straight line. What stays above for less than a step may be missed: it came within
    hundredths of a degree.
    """
    above = height(days) > 0
    changes = np.flatnonzero(above[1:] != above[:-1])
    edges = [_refined(days[i], days[i + 1], height) for i in changes]
    if above[0]:
        edges.insert(0, float(days[0]))
    if above[-1]:
        edges.append(float(days[-1]))
    return list(zip(edges[::2], edges[1::2], strict=True))


def _refined(start: float, end: float, height: Height) -> float:
    count = max(round((end - start) / (FINE_MIN * MINUTE)), 1) + 1
    days = np.linspace(start, end, count)
    values = height(days)
    i = int(np.flatnonzero((values[1:] > 0) != (values[:-1] > 0))[0])
    share = values[i] / (values[i] - values[i + 1])
    return float(days[i] + share * (days[i + 1] - days[i]))


def dark_span(noon: float, site: Site, sun_deg: float) -> tuple[float, float] | None:
    """Find the dark between two noons, in days; None when the Sun never gets so low.

    In the polar night that is from noon to noon.
    """
    found = spans_above(noon_grid(noon), lambda days: sun_deg - SkyGrid(days, site).sun_alt_deg)
    return (found[0][0], found[-1][1]) if found else None


def noon_grid(noon: float, step_min: float = 5.0) -> Floats:
    """Give moments from one noon to the next."""
    return np.asarray(noon + np.arange(round(1440 / step_min) + 1) * step_min * MINUTE)


def windows(
    grid: SkyGrid, place: tuple[float, float], limits: PlanSettings
) -> list[tuple[float, float]]:
    """Find when a place (right ascension, declination, J2000) is above the limits."""
    ra_deg, dec_deg = np.array([place[0]]), np.array([place[1]])

    def above(days: Floats) -> Floats:
        track = tracks(SkyGrid(days, grid.site), ra_deg, dec_deg)
        return np.asarray(track.alt_deg[0] - limits.limit_deg(track.az_deg[0]))

    return spans_above(grid.days, above)


def lower_transit(grid: SkyGrid, hour_angle_deg: Floats) -> float | None:
    """Find when a track (n,) crosses the meridian below the pole; None when it does not."""
    passes = np.flatnonzero(hour_angle_deg[1:] - hour_angle_deg[:-1] < -180)
    if not passes.size:
        return None
    i = int(passes[0])
    return float(grid.days[i] + (180 - hour_angle_deg[i]) / SIDEREAL_DEG_A_DAY)


def transit(grid: SkyGrid, hour_angle_deg: Floats) -> float | None:
    """Find the upper transit of a track (n,) in the grid's days; None when there is none."""
    passes = np.flatnonzero((hour_angle_deg[:-1] < 0) & (hour_angle_deg[1:] >= 0)
                            & (hour_angle_deg[1:] - hour_angle_deg[:-1] < 180))  # fmt: skip
    if not passes.size:
        return None
    i = int(passes[0])
    return float(grid.days[i] - hour_angle_deg[i] / SIDEREAL_DEG_A_DAY)
