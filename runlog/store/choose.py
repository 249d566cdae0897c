"""Frames chosen by night, folder, file pattern, names or place."""

import os
from collections.abc import Sequence
from dataclasses import dataclass, fields
from fnmatch import fnmatch
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, func, select

from runlog.core.corrections.selecting import Sight
from runlog.core.targets.places import apart_deg
from runlog.store import models as m
from runlog.store.listing import paths_of_frames

Rows = Sequence[Row[*tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which frames a person means; None or empty asks nothing, all that is asked must hold."""

    night: str | None = None
    folder: bytes | None = None  # absolute, without a slash at its end
    pattern: str | None = None  # shell pattern of the file's name
    target: str | None = None
    filter: str | None = None
    kind: str | None = None
    rig: str | None = None
    near_deg: tuple[float, float, float] | None = None  # RA, Dec, radius
    frame_ids: tuple[int, ...] | None = None

    @property
    def asks_nothing(self) -> bool:
        """Tell whether it means every frame there is."""
        return all(getattr(self, f.name) is None for f in fields(self))


def chosen_frames(connection: Connection, chosen: Chosen) -> Rows:
    """Load the frames a selection means, in time order."""
    f = m.frame.c
    columns = (f.id, f.content_key, f.kind, f.target, f.filter, f.taken_at_utc, f.exposure_s)
    query = (
        select(*columns, f.ra_deg, f.dec_deg, f.corrected, m.run.c.night)
        .add_columns(f.measured_with.is_not(None).label("measured"))
        .add_columns(f.level.is_not(None).label("levelled"))
        .join(m.run, m.run.c.id == f.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .order_by(*m.IN_TIME)
    )
    plain = {name: getattr(chosen, name) for name in ("target", "filter", "kind")}
    for name, value in plain.items():
        if value is not None:
            query = query.where(f[name] == value)
    if chosen.night is not None:
        query = query.where(m.run.c.night == chosen.night)
    if chosen.rig is not None:
        query = query.where(_rig_called(connection, chosen.rig.lower()))
    if chosen.frame_ids is not None:
        query = query.where(f.id.in_(chosen.frame_ids))
    rows = connection.execute(query).all()
    rows = _near(rows, chosen.near_deg) if chosen.near_deg is not None else rows
    if chosen.folder is None and chosen.pattern is None:
        return rows
    return _at_paths(connection, rows, chosen)


def _rig_called(connection: Connection, name: str) -> ColumnElement[bool]:
    """Mean the rigs of this very name; only where there is none, those that have it in theirs."""
    lowered = func.lower(m.rig.c.name)
    exact = connection.execute(select(m.rig.c.id).where(lowered == name).limit(1)).first()
    return lowered == name if exact else lowered.contains(name, autoescape=True)


def sights(connection: Connection) -> list[Sight]:
    """Load what selections can tell every stored frame by."""
    f = m.frame.c
    query = (
        select(f.id, f.run_id, f.kind, f.filter, f.taken_at_utc)
        .add_columns(m.run.c.night, m.rig.c.name.label("rig"))
        .join(m.run, m.run.c.id == f.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
    )
    paths = paths_of_frames(connection)
    return [
        Sight(
            r.id, r.night, r.rig, r.kind, r.filter, r.taken_at_utc is not None,
            tuple(os.fsdecode(path) for path, _ in paths.get(r.id, ())), r.run_id,
        )
        for r in connection.execute(query)
    ]  # fmt: skip


def _near(rows: Rows, near: tuple[float, float, float]) -> Rows:
    ra, dec, radius = near
    return [
        r
        for r in rows
        if None not in (r.ra_deg, r.dec_deg) and apart_deg(ra, dec, r.ra_deg, r.dec_deg) <= radius
    ]


def _at_paths(connection: Connection, rows: Rows, chosen: Chosen) -> Rows:
    paths = paths_of_frames(connection)
    return [r for r in rows if any(_fits(path, chosen) for path, _ in paths.get(r.id, ()))]


def _fits(path: bytes, chosen: Chosen) -> bool:
    if chosen.folder is not None and not path.startswith(chosen.folder.rstrip(b"/") + b"/"):
        return False
    if chosen.pattern is None:
        return True
    name = path.rsplit(b"/", 1)[-1].decode("utf-8", "replace")
    return fnmatch(name, chosen.pattern)


def rigs(connection: Connection) -> Rows:
    """List the rigs there are."""
    r = m.rig.c
    return connection.execute(
        select(r.id, r.name, r.telescope, r.camera, r.focal_mm, r.pixel_um).order_by(r.name, r.id)
    ).all()
