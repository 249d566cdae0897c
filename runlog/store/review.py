"""What the morning review asks the database: lists of ids, pages of lines, one frame in full."""

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from runlog.core.frame import Frame, Grade
from runlog.core.selection import Order, Selection
from runlog.store import models as m
from runlog.store.listing import paths_of_frames
from runlog.store.loading import IN_LISTS, WHOLE
from runlog.store.marks import with_said
from runlog.store.parts import MANY_IN_ONE_QUESTION, in_parts
from runlog.store.stars import star_lists
from runlog.store.where import lights, of_groups, where

OPEN = (Grade.DOUBTFUL.value, Grade.UNGRADED.value)  # what the rules leave to a person

# --- nights ---------------------------------------------------------------------------------


def run_rows(connection: Connection) -> Sequence[Row[Any]]:
    """Load a run a row from the sums alone: no frame is read, so it is quick with any number."""
    r, s = m.run.c, m.run_sum.c
    summed = ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s")
    query = (
        select(r.id, r.night, m.rig.c.name.label("rig"))
        .add_columns(*[func.sum(s[name]).label(name) for name in summed])
        .join(m.rig, m.rig.c.id == r.rig_id)
        .join(m.run_sum, s.run_id == r.id)
        .group_by(r.id, r.night, m.rig.c.name)
        .having(func.sum(s.frames) > 0)
        .order_by(r.night, m.rig.c.name)
    )
    return connection.execute(query).all()


def newest_place(connection: Connection) -> tuple[float, datetime] | None:
    """Give the longitude and start of a frame of the newest run whose headers tell them."""
    f, r = m.frame.c, m.run.c
    newest = select(r.id).where(r.night != "").order_by(r.night.desc(), r.id).limit(1)
    told = (f.longitude_deg.is_not(None), f.taken_at_utc.is_not(None))
    query = select(f.longitude_deg, f.taken_at_utc).where(f.run_id.in_(newest), *told).limit(1)
    row = connection.execute(query.order_by(f.taken_at_utc, f.id)).first()
    return None if row is None else (row[0], row[1])


# --- lists ----------------------------------------------------------------------------------


def frame_ids(
    connection: Connection, selection: Selection, order: Order, limit: int | None = None
) -> "array[int]":
    """List the ids of the lights chosen, in order: eight bytes a frame, so 200,000 fit anywhere."""
    query = select(m.frame.c.id).where(*lights(), *where(connection, selection))
    query = query.order_by(*_sorting(order)).limit(limit)
    if connection.dialect.name != "sqlite":
        return array("q", connection.execute(query).scalars())
    # One string for all: SQLite then works through 200,000 rows without holding up our painting.
    # It keeps the order of a subquery below group_concat (its documentation, "Query Flattening").
    listed = query.subquery()
    joined = connection.execute(select(func.group_concat(listed.c.id, " "))).scalar()
    return array("q", map(int, joined.split())) if joined else array("q")


def _sorting(order: Order) -> list[Any]:
    f, column = m.frame.c, m.frame.c[order.column]
    if column is f.taken_at_utc:  # plain, so that its index serves
        return [column.desc(), f.id.desc()] if order.descending else [column, f.id]
    return [column.is_(None), column.desc() if order.descending else column, f.taken_at_utc, f.id]


def lines_by_id(connection: Connection, ids: Sequence[int]) -> dict[int, Frame]:
    """Load one page of lines."""
    found: dict[int, Frame] = {}
    for part in in_parts(ids, MANY_IN_ONE_QUESTION):
        frames = IN_LISTS.load(connection, IN_LISTS.query.where(m.frame.c.id.in_(part)))
        frames = with_said(connection, frames)
        found |= {frame.identity.id: frame for frame in frames}
    return found


def lines_of_run(connection: Connection, run_id: int) -> list[Frame]:
    """Load all lines of a run in time order."""
    f = m.frame.c
    query = IN_LISTS.query.where(f.run_id == run_id, *lights())
    return with_said(connection, IN_LISTS.load(connection, query.order_by(f.taken_at_utc, f.id)))


def doubtful_lines(connection: Connection, selection: Selection) -> list[Frame]:
    """Load the lines the automatic grade left open, decided since or not, in time order."""
    f = m.frame.c
    query = IN_LISTS.query.where(*lights(), f.auto_grade.in_(OPEN))
    query = query.where(*of_groups(selection, m.frame))
    return with_said(connection, IN_LISTS.load(connection, query.order_by(f.taken_at_utc, f.id)))


def count_open(connection: Connection, run_id: int | None) -> int:
    """Count the frames that still wait for a person."""
    f = m.frame.c
    query = select(func.count()).select_from(m.frame).where(
        *lights(), f.auto_grade.in_(OPEN), f.graded_by != "person"
    )  # fmt: skip
    if run_id is not None:
        query = query.where(f.run_id == run_id)
    return int(connection.execute(query).scalar_one())


# --- one frame ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FrameSight:
    """A frame with its stars, and where its files are."""

    frame: Frame
    paths: tuple[tuple[bytes, bool], ...]  # (path, missing)

    @property
    def stars(self) -> Iterator[tuple[float, float, float]]:
        """Its stars as x, y and flux, brightest first."""
        listed = self.frame.measurement.star_list
        return zip(listed.x, listed.y, listed.flux_adu, strict=True)


def frame_sight(connection: Connection, frame_id: int) -> FrameSight | None:
    """Load one frame in full; None when it is gone from the database."""
    found = WHOLE.load(connection, WHOLE.query.where(m.frame.c.id == frame_id))
    if not found:
        return None
    (frame,) = with_said(connection, found)
    for stars in star_lists(connection, [frame_id]).values():
        frame = replace(frame, measurement=replace(frame.measurement, star_list=stars))
    return FrameSight(frame, tuple(paths_of_frames(connection, [frame_id]).get(frame_id, ())))


def best_of_run(connection: Connection, frame: Frame) -> int | None:
    """Find the sharpest kept frame of the same run, target and filter, other than this one."""
    f = m.frame.c
    query = _alike(select(f.id), frame).where(f.grade == Grade.KEEP.value, f.fwhm_px.is_not(None))
    return connection.execute(query.order_by(f.fwhm_px, f.id).limit(1)).scalar()


def previous_alike(connection: Connection, frame: Frame) -> int | None:
    """Find the frame before this one, of the same run, target and filter."""
    f = m.frame.c
    query = _alike(select(f.id), frame).where(f.taken_at_utc < frame.header.taken_at_utc)
    return connection.execute(query.order_by(f.taken_at_utc.desc(), f.id).limit(1)).scalar()


def kept_alike(connection: Connection, frame: Frame) -> list[Frame]:
    """Load the kept frames of the same run, target and filter: what is usual for this one."""
    query = _alike(IN_LISTS.query, frame).where(m.frame.c.grade == Grade.KEEP.value)
    return IN_LISTS.load(connection, query)


def _alike(query: Select[Any], frame: Frame) -> Select[Any]:
    f = m.frame.c
    return query.where(
        *lights(),
        f.run_id == frame.context.run_id,
        f.target == frame.context.target,
        f.filter == frame.context.filter,
        f.id != frame.identity.id,
    )


# --- who else changed what ------------------------------------------------------------------


def change_token(connection: Connection) -> tuple[int, ...]:
    """Say with a few numbers whether anybody changed anything since."""
    r = m.run.c
    runs = select(func.count(), func.sum(r.revision), func.sum(r.settled_revision)).select_from(
        m.run
    )
    books = (select(func.max(table.c.id)) for table in (m.mark, m.goal, m.rig_note, m.watch_told))
    found = (*connection.execute(runs).one(), *(connection.execute(b).scalar() for b in books))
    return tuple(int(value or 0) for value in found)
