"""Kept frames with the file to hand over."""

from typing import Any

from sqlalchemy import Connection, func, select

from runlog.core.ledger.link_names import Keeper
from runlog.store import models as m
from runlog.store.listing import paths_of_frames
from runlog.store.totals import Part


def keepers(
    connection: Connection, part: Part, filter_name: str | None, grades: tuple[str, ...]
) -> tuple[list[Keeper], list[bytes]]:
    """Load the counted lights of some grades; also the paths of those that lie nowhere now."""
    f, r = m.frame.c, m.run.c
    columns = (f.id, f.content_key, f.target, f.filter, f.exposure_s, f.effective_s, r.night)
    query = (
        select(*columns)
        .join(m.run, r.id == f.run_id)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .where(f.kind == "light", f.counted, f.grade.in_(grades))
        .order_by(f.target, f.filter, *m.IN_TIME)
    )
    rows = connection.execute(_narrowed(query, part, filter_name)).all()
    paths = paths_of_frames(connection, [row.id for row in rows] if len(rows) < 500 else None)
    here: list[Keeper] = []
    gone: list[bytes] = []
    for row in rows:
        files = paths.get(row.id, [])
        path = next((path for path, missing in files if not missing), None)
        if path is None:
            gone += [path for path, _ in files[:1]]
            continue
        named = (row.target, row.filter, row.night, row.exposure_s, row.effective_s)
        here.append(Keeper(row.content_key, path, *named))
    return here, gone


def _narrowed(query: Any, part: Part, filter_name: str | None) -> Any:
    f, r = m.frame.c, m.run.c
    if part.target is not None:
        panels = f.target.startswith(f"{part.target} panel ", autoescape=True)
        query = query.where((f.target == part.target) | panels)
    if filter_name is not None:
        query = query.where(f.filter == filter_name)
    if part.since is not None:
        query = query.where(r.night >= part.since)
    if part.until is not None:
        query = query.where(r.night <= part.until, r.night != "")
    if part.rig is not None:
        query = query.where(func.lower(m.rig.c.name).contains(part.rig.lower(), autoescape=True))
    return query
