"""Sun and Moon of a run's night, where its site is known: as stored, else reckoned."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.sky.daylight import IN_DOUBT, place_in_doubt
from runlog.core.sky.night_sky import NightSky, Site, midnight_of, night_sky
from runlog.store.night_sky import get_night_sky


@dataclass(frozen=True, slots=True)
class RunSky:
    """What is known of Sun and Moon in the night of a run."""

    sky: NightSky | None = None
    midnight: datetime | None = None  # the Sun is lowest
    doubt: str = ""  # why nothing is known

    @property
    def dark(self) -> tuple[datetime, datetime] | None:
        """When the Sun is 18 degrees down."""
        return self.sky.dark if self.sky else None

    @property
    def moon(self) -> Sequence[tuple[datetime, bool]]:
        """When the Moon crosses the horizon, and whether it rises."""
        return self.sky.moon if self.sky else ()

    @property
    def place(self) -> tuple[float, float] | None:
        """Latitude and longitude, degrees."""
        return (self.sky.site.latitude_deg, self.sky.site.longitude_deg) if self.sky else None


def sky_of_run(
    connection: Connection, run_id: int, night: str, lights: Sequence[Frame], settings: Settings
) -> RunSky:
    """Give what is known of Sun and Moon; nothing where the lights say the place is wrong."""
    if _is_in_doubt(lights):
        return RunSky(doubt=IN_DOUBT)
    return _known(night, sky_of_night(connection, run_id, night, site_of(lights, settings)))


def _is_in_doubt(lights: Sequence[Frame]) -> bool:
    return place_in_doubt(f.context.sun_alt_deg for f in lights)


def _known(night: str, sky: NightSky | None) -> RunSky:
    return RunSky(sky, midnight_of(night, sky.site) if sky else None)


def site_of(lights: Iterable[Frame], settings: Settings) -> Site | None:
    """Give the site of the first light that tells it, else the config's."""
    headers = (frame.header for frame in lights)
    placed = next((h for h in headers if None not in (h.latitude_deg, h.longitude_deg)), None)
    latitude = placed.latitude_deg if placed else settings.latitude_deg
    longitude = placed.longitude_deg if placed else settings.longitude_deg
    height = (placed.elevation_m if placed else None) or settings.elevation_m
    if latitude is None or longitude is None:
        return None
    return Site(latitude, longitude, height)


def sky_of_night(
    connection: Connection, run_id: int, night: str, site: Site | None
) -> NightSky | None:
    """Give what Sun and Moon did in a run's night; None for no date or site."""
    if not night or site is None:
        return None
    stored = get_night_sky(connection, run_id)
    return stored if stored is not None and stored.site == site else night_sky(night, site)
