"""Sun and Moon of a run's night, where its site is known: as stored, else reckoned."""

from collections.abc import Iterable

from sqlalchemy import Connection

from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.sky.night_sky import NightSky, Site, night_sky
from runlog.store.night_sky import get_night_sky


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
