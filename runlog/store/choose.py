"""Frames of a selection: as rows to correct, as frames to list; and what tells frames apart."""

import os
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Row, func, select

from runlog.core.corrections.selecting import Everyone, Sight
from runlog.core.frame import Frame
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import models as m
from runlog.store.depth import with_effective
from runlog.store.listing import paths_of_frames, written_out
from runlog.store.loading import WHOLE
from runlog.store.marks import with_said
from runlog.store.where import where

Rows = Sequence[Row[*tuple[Any, ...]]]


def chosen_frames(connection: Connection, selection: Selection) -> Rows:
    """Load what correcting needs to know of the frames of a selection, in time order."""
    f = m.frame.c
    query = (
        select(f.id, f.content_key, f.taken_at_utc)
        .add_columns(f.measured_with.is_not(None).label("measured"))
        .add_columns(f.level.is_not(None).label("levelled"))
        .where(*where(connection, selection))
        .order_by(*m.IN_TIME)
    )
    return connection.execute(query).all()


def list_frames(connection: Connection, selection: Selection = EVERYTHING) -> list[Frame]:
    """Load the frames of a selection, in time order, with what they are worth today."""
    query = WHOLE.query.where(*where(connection, selection))
    in_order = query.order_by(*m.IN_TIME)
    frames = with_said(connection, WHOLE.load(connection, in_order))
    return with_effective(connection, frames)


def holds_any(connection: Connection, selection: Selection) -> bool:
    """Tell whether any frame fits, of whatever kind."""
    query = select(m.frame.c.id).where(*where(connection, selection)).limit(1)
    return connection.execute(query).first() is not None


def last_night(connection: Connection) -> str:
    """Give the evening of the newest night that holds a light frame; "" where there is none."""
    sums = select(m.run.c.night).join(m.run_sum, m.run_sum.c.run_id == m.run.c.id)
    newest = select(func.max(m.run.c.night)).where(m.run.c.night.in_(sums))
    return connection.execute(newest).scalar() or ""


def everyone(connection: Connection, nights: Iterable[str]) -> Everyone:
    """Load what selections can tell every stored frame by, first those of some nights."""
    near = frozenset(nights)
    runs = connection.execute(select(m.run.c.id, m.run.c.night)).all()
    own = [run_id for run_id, night in runs if night in near]
    if len(own) == len(runs):
        return Everyone(sights(connection))
    others = [run_id for run_id, night in runs if night not in near]
    return Everyone(sights(connection, own), lambda: sights(connection, others))


def sights(connection: Connection, runs: Sequence[int] | None = None) -> list[Sight]:
    """Load what selections can tell frames by: those of some runs, or all that are stored."""
    f = m.frame.c
    query = (
        select(f.id, f.run_id, f.kind, f.filter, f.taken_at_utc)
        .add_columns(m.run.c.night, m.rig.c.name.label("rig"))
        .join(m.run, m.run.c.id == f.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
    )
    if runs is not None:
        query = query.where(f.run_id.in_(written_out(runs)))
    rows = connection.execute(query).all()
    paths = paths_of_frames(connection, None if runs is None else [row.id for row in rows])
    return [
        Sight(
            r.id, r.night, r.rig, r.kind, r.filter, r.taken_at_utc is not None,
            tuple(os.fsdecode(path) for path, _ in paths.get(r.id, ())), r.run_id,
        )
        for r in rows
    ]  # fmt: skip


def rigs(connection: Connection) -> Rows:
    """List the rigs there are."""
    r = m.rig.c
    return connection.execute(
        select(r.id, r.name, r.telescope, r.camera, r.focal_mm, r.pixel_um).order_by(r.name, r.id)
    ).all()
