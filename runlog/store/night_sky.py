"""What Sun and Moon did in the night of each run, so that telling a night reckons nothing."""

from datetime import UTC, datetime

from sqlalchemy import Connection, bindparam, delete, insert, select

from runlog.core.sky.night_sky import NightSky, Site
from runlog.store import models as m

_N = m.run_sky.c
_OF_RUN = select(m.run_sky).where(_N.run_id == bindparam("run"))
_DROP = delete(m.run_sky).where(_N.run_id == bindparam("run"))


def get_night_sky(connection: Connection, run_id: int) -> NightSky | None:
    """Load that of a run."""
    row = connection.execute(_OF_RUN, {"run": run_id}).one_or_none()
    if row is None:
        return None
    dark = row.dark_start_utc and (row.dark_start_utc, row.dark_end_utc)
    moon = ((datetime.fromtimestamp(at, UTC), bool(rises)) for at, rises in row.moon)
    return NightSky(Site(row.latitude_deg, row.longitude_deg, row.elevation_m), dark, tuple(moon))


def put_night_sky(connection: Connection, run_id: int, sky: NightSky | None) -> None:
    """Store that of a run; None leaves none."""
    connection.execute(_DROP, {"run": run_id})
    if sky is None:
        return
    dark = sky.dark or (None, None)
    row = {
        "run_id": run_id,
        "latitude_deg": sky.site.latitude_deg,
        "longitude_deg": sky.site.longitude_deg,
        "elevation_m": sky.site.elevation_m,
        "dark_start_utc": dark[0],
        "dark_end_utc": dark[1],
        "moon": [[at.timestamp(), rises] for at, rises in sky.moon],
    }
    connection.execute(insert(m.run_sky), row)
