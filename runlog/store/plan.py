"""What the log tells a plan: the runs of each rig, and the lights of some of them."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from runlog.core.frame import Kind
from runlog.store import models as m
from runlog.store.where import lights


class RigRun(NamedTuple):
    """A run with light frames, and where it stood by one of its frames."""

    id: int
    rig_id: int
    rig: str
    night: str
    latitude_deg: float | None
    longitude_deg: float | None
    elevation_m: float | None


class Light(NamedTuple):
    """What a plan learns from one light frame that counts."""

    run_id: int
    taken_at_utc: datetime | None
    exposure_s: float | None
    target: str
    filter: str
    pier_side: str | None
    ra_deg: float | None
    grade: str
    background_adu: float | None
    noise_adu: float | None
    pedestal_adu: float | None
    egain_e_adu: float | None
    binning_x: int
    airmass: float | None
    moon_alt_deg: float | None
    moon_sep_deg: float | None
    sun_alt_deg: float | None
    transparency: float | None


def rig_runs(connection: Connection) -> list[RigRun]:
    """List the dated runs with light frames, the last first."""
    r, f = m.run.c, m.frame.c
    with_lights = select(m.run_sum.c.run_id).distinct()
    own = m.frame.alias()
    fits = own.c.run_id == r.id, own.c.kind == Kind.LIGHT.value, own.c.counted
    # Any frame of it would do; the least key, so that the order of scanning does not count.
    one = select(func.min(own.c.content_key)).where(*fits).correlate(m.run).scalar_subquery()
    query = (
        select(r.id, r.rig_id, m.rig.c.name, r.night)
        .add_columns(f.latitude_deg, f.longitude_deg, f.elevation_m)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .join(m.frame, f.content_key == one)
        .where(r.id.in_(with_lights), r.night != "")
        .order_by(r.night.desc(), m.rig.c.name, r.id)
    )
    return [RigRun(*row) for row in connection.execute(query)]


def lights_of(connection: Connection, run_ids: Sequence[int]) -> list[Light]:
    """Load the lights of some runs, in time order."""
    columns = [m.frame.c[name] for name in Light._fields]
    query = select(*columns).where(*lights(), m.frame.c.run_id.in_(run_ids)).order_by(*m.IN_TIME)
    return [Light(*row) for row in connection.execute(query)]


def pointings(
    connection: Connection, targets: Iterable[str]
) -> dict[str, list[tuple[float, float, int]]]:
    """Count where the lights of some targets point, to a hundredth of a degree."""
    f = m.frame.c
    at = func.round(f.ra_deg * 100), func.round(f.dec_deg * 100)
    query = (
        select(f.target, *at, func.count())
        .where(*lights(), f.target.in_(sorted(targets)))
        .where(f.ra_deg.is_not(None), f.dec_deg.is_not(None))
        .group_by(f.target, *at)
        .order_by(f.target, *at)
    )
    found: dict[str, list[tuple[float, float, int]]] = {}
    for target, ra, dec, count in connection.execute(query):
        found.setdefault(target, []).append((float(ra) / 100, float(dec) / 100, int(count)))
    return found
