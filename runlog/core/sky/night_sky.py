"""What Sun and Moon do in a night at one place: reckoned once, for numpy is needed to reckon it."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from runlog.core.sky.nights import noon_before

DAY = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Site:
    """A place on Earth; longitude east positive."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


@dataclass(frozen=True, slots=True)
class NightSky:
    """When it is dark, and when the Moon rises and sets, from local noon to local noon."""

    site: Site
    dark: tuple[datetime, datetime] | None  # None: the Sun is never 18 degrees down
    moon: tuple[tuple[datetime, bool], ...]  # its upper limb on the horizon; whether it rises


def midnight_of(night: str, site: Site) -> datetime:
    """Give the moment when the Sun is lowest, but for the equation of time, of an ISO date."""
    return noon_before(date.fromisoformat(night), site.longitude_deg) + DAY / 2


def night_sky(night: str, site: Site) -> NightSky:
    """Reckon the night of an ISO date."""
    from runlog.core.sky.ephemeris import dark_window
    from runlog.core.sky.moon import moon_crossings

    noon = noon_before(date.fromisoformat(night), site.longitude_deg)
    moon = ((crossing.at, crossing.rises) for crossing in moon_crossings(noon, noon + DAY, site))
    return NightSky(site, dark_window(noon, site), tuple(moon))
