"""What settling remembers between runs: usual widths, references, star lists."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, and_, delete, func, insert, select, update

from runlog.core.baseline import Earlier
from runlog.core.frame import StarList
from runlog.store import models as m
from runlog.store.runs import touch_settled

LAST_NIGHTS = 8
FEWEST_NIGHTS = 2

UsualWidths = Mapping[tuple[str, int], float]  # (filter, binning) -> FWHM in px at airmass 1


def earlier_nights(
    connection: Connection, rig_id: int, night: str
) -> dict[tuple[object, ...], Earlier]:
    """Load what was usual in the rig's last nights strictly before one."""
    u = m.run_usual.c
    query = (
        select(u.filter, u.binning, u.fwhm_px)
        .join(m.run, m.run.c.id == u.run_id)
        .where(m.run.c.rig_id == rig_id, m.run.c.night < night, m.run.c.night != "")
        .order_by(m.run.c.night.desc())
    )
    widths: dict[tuple[object, ...], list[float]] = {}
    for name, binning, fwhm_px in connection.execute(query):
        last = widths.setdefault((name, binning), [])
        if len(last) < LAST_NIGHTS:
            last.append(fwhm_px)
    return {
        key: Earlier(len(last), float(np.median(last)), min(last))
        for key, last in widths.items()
        if len(last) >= FEWEST_NIGHTS
    }


def put_usual(connection: Connection, run_id: int, widths: UsualWidths) -> None:
    """Remember what was usual in a run; when that changed, the rig's later runs become dirty."""
    u = m.run_usual.c
    stored = connection.execute(select(u.filter, u.binning, u.fwhm_px).where(u.run_id == run_id))
    if {(row[0], row[1]): row[2] for row in stored} == dict(widths):
        return
    connection.execute(delete(m.run_usual).where(u.run_id == run_id))
    if widths:
        connection.execute(
            insert(m.run_usual),
            [
                {"run_id": run_id, "filter": name, "binning": binning, "fwhm_px": fwhm_px}
                for (name, binning), fwhm_px in widths.items()
            ],
        )
    this = connection.execute(select(m.run).where(m.run.c.id == run_id)).one()
    r = m.run.c
    touch_settled(connection, r.rig_id == this.rig_id, r.night > this.night)


def put_zeros(connection: Connection, run_id: int, zeros: str, cameras: Sequence[str]) -> None:
    """Remember a run's bias and dark levels; when they changed, the camera's runs become dirty."""
    r = m.run.c
    if connection.execute(select(r.zeros).where(r.id == run_id)).scalar_one() == zeros:
        return
    connection.execute(update(m.run).where(r.id == run_id).values(zeros=zeros))
    of_camera = select(m.frame.c.run_id).where(m.frame.c.camera_key.in_(cameras))
    touch_settled(connection, r.id.in_(of_camera), r.id != run_id)


# --- references -----------------------------------------------------------------------------

REFERENCE_KEYS = ("target", "filter", "binning_x", "width", "height", "gain")
Field = tuple[str, str, int, int, int, float | None]  # values of REFERENCE_KEYS
CANDIDATES = 9
TOO_BRIGHT = 1.6  # times the candidates' median: that frame had another filter in


def reference_frame(connection: Connection, rig_id: int, field: Field) -> Row[Any] | None:
    """Find the best frame ever of a rig, target and filter.

    Best is the highest signal to noise of the 25th brightest star among round, focused frames,
    leaving out one whose stars are far brighter than in the next best; ties go to the smallest
    key, so the order of scans changes nothing.
    """
    f = m.frame.c
    score = f.ranked_flux_adu / (f.noise_adu * f.fwhm_px)
    query = (
        select(m.frame)
        .join(m.run, m.run.c.id == f.run_id)
        .where(m.run.c.rig_id == rig_id, *_in_field(field))
        .where(f.counted, f.header_kind == "light", f.fwhm_px.is_not(None))
        .where(f.eccentricity < 0.8, f.noise_adu > 0, f.readout.is_(None), f.exposure_s > 0)
        .order_by(func.coalesce(score, 0).desc(), f.stars.desc(), f.content_key)
        .limit(CANDIDATES)
    )
    return _most_believable(connection.execute(query).all())


def _most_believable(candidates: Sequence[Row[Any]]) -> Row[Any] | None:
    """Take the best candidate whose stars are not far brighter than the others'."""
    rates = [r.ranked_flux_adu / r.exposure_s for r in candidates if r.ranked_flux_adu]
    most = TOO_BRIGHT * float(np.median(rates)) if rates else 0.0
    for row in candidates:
        if not row.ranked_flux_adu or row.ranked_flux_adu / row.exposure_s <= most:
            return row
    return None


def _in_field(field: Field) -> list[Any]:
    return [m.frame.c[name] == value for name, value in zip(REFERENCE_KEYS, field, strict=True)]


def touch_outdated(connection: Connection, rig_id: int, field: Field, key: str) -> None:
    """Make runs dirty whose frames are matched to another frame than the best one."""
    f, r = m.frame.c, m.run.c
    outdated = select(f.run_id).where(*_in_field(field), f.matched_to.is_not(None))
    outdated = outdated.where(f.matched_to != key)
    touch_settled(connection, r.rig_id == rig_id, r.id.in_(outdated))


def star_lists(connection: Connection, frame_ids: Sequence[int]) -> dict[int, StarList]:
    """Load stored stars of some frames."""
    s = m.star_list.c
    query = select(s.frame_id, s.stars).where(s.frame_id.in_(frame_ids))
    return {frame_id: unpack_stars(stars) for frame_id, stars in connection.execute(query)}


def unpack_stars(packed: bytes) -> StarList:
    """Undo the packing of float32 triples x, y, flux."""
    table = np.frombuffer(packed, dtype=np.float32).reshape(-1, 3).astype(float)
    return StarList(*(tuple(column.tolist()) for column in table.T))


def frame_by_key(connection: Connection, content_key: str) -> Row[Any] | None:
    """Load one frame."""
    query = select(m.frame).where(m.frame.c.content_key == content_key)
    return connection.execute(query).one_or_none()


# --- the frozen references of effective time ------------------------------------------------


def depth_reference(
    connection: Connection, rig_id: int, target: str, filter_name: str
) -> Row[Any] | None:
    """Load the frozen reference of a rig, target and filter."""
    d = m.depth_reference.c
    query = select(m.depth_reference).where(
        and_(d.rig_id == rig_id, d.target == target, d.filter == filter_name)
    )
    return connection.execute(query).one_or_none()


def freeze_depth(connection: Connection, rig_id: int, values: Mapping[str, Any]) -> None:
    """Freeze a reference unless there is one already."""
    if depth_reference(connection, rig_id, values["target"], values["filter"]) is None:
        connection.execute(insert(m.depth_reference).values(rig_id=rig_id, **values))


def forget_depths(connection: Connection) -> None:
    """Drop all frozen references, so that the next settling freezes the best frames of today."""
    connection.execute(delete(m.depth_reference))
