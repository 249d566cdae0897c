"""What settling remembers between runs: usual widths, references, star lists."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from sqlalchemy import (
    Connection,
    Row,
    and_,
    bindparam,
    delete,
    insert,
    select,
    update,
)

from runlog.core.grading.baseline import Earlier
from runlog.store import models as m
from runlog.store.engine import insert_into
from runlog.store.runs import touch, touch_settled
from runlog.store.shown import NOT_KNOWN

LAST_NIGHTS = 8
FEWEST_NIGHTS = 2

UsualWidths = Mapping[tuple[str, int], float]  # (filter, binning) -> FWHM in px at airmass 1

# Asked once a run, of thousands of runs: putting a statement together takes longer than running it.
_USUAL = select(m.run_usual.c.filter, m.run_usual.c.binning, m.run_usual.c.fwhm_px)
_EARLIER = (
    _USUAL.join(m.run, m.run.c.id == m.run_usual.c.run_id)
    .where(m.run.c.rig_id == bindparam("rig"), m.run.c.night < bindparam("before"))
    .where(m.run.c.night != "")
    .order_by(m.run.c.night.desc())
)
_OF_RUN = _USUAL.where(m.run_usual.c.run_id == bindparam("run"))


def earlier_nights(
    connection: Connection, rig_id: int, night: str
) -> dict[tuple[object, ...], Earlier]:
    """Load what was usual in the rig's last nights strictly before one."""
    widths: dict[tuple[object, ...], list[float]] = {}
    asked = {"rig": rig_id, "before": night}
    for name, binning, fwhm_px in connection.execute(_EARLIER, asked).all():
        last = widths.setdefault((name, binning), [])
        if len(last) < LAST_NIGHTS:
            last.append(fwhm_px)
    return {
        key: Earlier(len(last), median(last), min(last))
        for key, last in widths.items()
        if len(last) >= FEWEST_NIGHTS
    }


def put_usual(connection: Connection, run_id: int, widths: UsualWidths) -> None:
    """Remember what was usual in a run; when that changed, the rig's later runs become dirty."""
    u = m.run_usual.c
    stored = connection.execute(_OF_RUN, {"run": run_id})
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
    others = (r.id.in_(of_camera), r.id != run_id)
    touch_settled(connection, *others)
    connection.execute(update(m.run).where(*others).values(shown=NOT_KNOWN))


# --- references -----------------------------------------------------------------------------


def compared_with(connection: Connection) -> frozenset[str]:
    """List the content keys of frames that others are matched to or reckoned by."""
    matched = select(m.frame.c.matched_to).where(m.frame.c.matched_to.is_not(None)).distinct()
    frozen = select(m.depth_reference.c.content_key)
    return frozenset(
        key for query in (matched, frozen) for key in connection.execute(query).scalars()
    )


def compare_anew(connection: Connection, content_key: str, version: int) -> None:
    """Have frames compared again with one that was measured again; marks their runs dirty.

    Frames of an earlier version keep the answer of then: light compares only within a version.
    """
    f, d = m.frame.c, m.depth_reference.c
    stale = and_(f.matched_to == content_key, f.measured_with == version)
    matched = select(f.run_id).where(stale)
    frozen = (
        select(f.run_id)
        .join(m.run, m.run.c.id == f.run_id)
        .join(
            m.depth_reference,
            and_(d.rig_id == m.run.c.rig_id, d.target == f.target, d.filter == f.filter),
        )
        .where(d.content_key == content_key)
    )
    runs = {run for query in (matched, frozen) for run in connection.execute(query).scalars()}
    touch(connection, sorted(runs))
    connection.execute(update(m.frame).where(stale).values(matched_to=None))


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
    row = insert_into(connection, m.depth_reference).values(rig_id=rig_id, **values)
    connection.execute(row.on_conflict_do_nothing())


def forget_depths(connection: Connection) -> None:
    """Drop all frozen references, so that the next settling freezes the best frames of today."""
    connection.execute(delete(m.depth_reference))
