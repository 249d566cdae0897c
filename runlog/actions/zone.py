"""The zone in which times of a database are shown."""

from datetime import UTC, datetime

from sqlalchemy import Engine

from runlog.config import Settings
from runlog.core.times import Zone, site_zone
from runlog.store.engine import reading
from runlog.store.review import newest_place


def zone_of_site(engine: Engine, settings: Settings) -> Zone:
    """Choose the zone by the config, else by where the newest frames say they were taken."""
    longitude, moment = settings.longitude_deg, datetime.now(UTC)
    if settings.clock.zone is None and longitude is None:
        with reading(engine) as connection:
            longitude, moment = newest_place(connection) or (None, moment)
    return site_zone(settings.clock.zone, longitude, moment)
