"""Kept frames with the file to hand over."""

from sqlalchemy import Connection, select

from runlog.core.ledger.link_names import Keeper
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.listing import paths_of_frames
from runlog.store.where import lights, where


def keepers(
    connection: Connection, selection: Selection, grades: tuple[str, ...]
) -> tuple[list[Keeper], list[bytes]]:
    """Load the counted lights of some grades; also the paths of those that lie nowhere now."""
    f, r = m.frame.c, m.run.c
    columns = (f.id, f.content_key, f.target, f.filter, f.exposure_s, f.effective_s, r.night)
    query = (
        select(*columns)
        .join(m.run, r.id == f.run_id)
        .where(*lights(), f.grade.in_(grades), *where(connection, selection))
        .order_by(f.target, f.filter, *m.IN_TIME)
    )
    rows = connection.execute(query).all()
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
