"""Kept frames with the file to hand over."""

from typing import Any

from sqlalchemy import Connection, Row, select

from runlog.core.ledger.link_names import Keeper
from runlog.core.ledger.worth import References
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.depth import references_of_frames
from runlog.store.listing import paths_of_frames
from runlog.store.where import lights, where


def keepers(
    connection: Connection, selection: Selection, grades: tuple[str, ...]
) -> tuple[list[Keeper], list[bytes]]:
    """Load the counted lights of some grades; also the paths of those that lie nowhere now."""
    f, r = m.frame.c, m.run.c
    columns = (f.id, f.content_key, f.target, f.filter, f.exposure_s, r.night, f.run_id)
    depth = (f.depth_base, f.point_s2_adu2, f.extended_s2_arcsec2_adu2)
    query = (
        select(*columns, *depth)
        .join(m.run, r.id == f.run_id)
        .where(*lights(), f.grade.in_(grades), *where(connection, selection))
        .order_by(f.target, f.filter, *m.IN_TIME)
    )
    rows = connection.execute(query).all()
    against = references_of_frames(connection)
    paths = paths_of_frames(connection, [row.id for row in rows] if len(rows) < 500 else None)
    here: list[Keeper] = []
    gone: list[bytes] = []
    for row in rows:
        files = paths.get(row.id, [])
        path = next((path for path, missing in files if not missing), None)
        if path is None:
            gone += [path for path, _ in files[:1]]
            continue
        deep_s = _effective_s(row, against)
        named = (row.target, row.filter, row.night, row.exposure_s, deep_s)
        here.append(Keeper(row.content_key, path, *named))
    return here, gone


def _effective_s(row: Row[*tuple[Any, ...]], against: References) -> float | None:
    depths = row.point_s2_adu2, row.extended_s2_arcsec2_adu2
    return against.worth_s(row.run_id, row.filter, row.depth_base, *depths)
