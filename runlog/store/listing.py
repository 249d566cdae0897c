"""Frames as rows for a listing, with their files."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, func, select

from runlog.core.frame import Frame
from runlog.store import models as m
from runlog.store.loading import WHOLE


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which frames to list; None means any."""

    night: str | None = None
    target: str | None = None
    filter: str | None = None
    rig: str | None = None
    grade: str | None = None
    fault: str | None = None
    run_id: int | None = None


def list_frames(connection: Connection, wanted: Wanted) -> list[Frame]:
    """Load frames in time order."""
    query = WHOLE.query.order_by(*m.IN_TIME)
    found = WHOLE.load(connection, _narrowed(query, wanted))
    if wanted.fault is None:
        return found
    return [f for f in found if wanted.fault in {fault.name for fault in f.judgement.faults}]


def _narrowed(query: Select[Any], wanted: Wanted) -> Select[Any]:
    columns: dict[str, Any] = {
        "night": m.run.c.night,
        "target": m.frame.c.target,
        "filter": m.frame.c.filter,
        "grade": m.frame.c.grade,
        "run_id": m.frame.c.run_id,
    }
    for name, column in columns.items():
        value = getattr(wanted, name)
        if value is not None:
            query = query.where(column == value)
    if wanted.grade is not None:
        query = query.where(m.frame.c.kind == "light")
    if wanted.rig is not None:
        query = query.where(func.lower(m.rig.c.name).contains(wanted.rig.lower(), autoescape=True))
    return query


def paths_of_frames(
    connection: Connection, frame_ids: Sequence[int] | None = None
) -> dict[int, list[tuple[bytes, bool]]]:
    """Load the files of some frames, or of all, as (path, missing), those still there first."""
    query = (
        select(m.header.c.frame_id, m.file.c.path, m.file.c.missing)
        .join(m.header, m.header.c.id == m.file.c.header_id)
        .order_by(m.header.c.frame_id, m.file.c.missing, ~m.header.c.speaks, m.file.c.path)
    )
    if frame_ids is not None:
        query = query.where(m.header.c.frame_id.in_(frame_ids))
    paths: dict[int, list[tuple[bytes, bool]]] = {}
    for frame_id, path, missing in connection.execute(query):
        paths.setdefault(frame_id, []).append((bytes(path), missing))
    return paths


def frames_at(connection: Connection, path: bytes) -> list[int]:
    """Find the frame of a path."""
    query = select(m.header.c.frame_id).join(m.file).where(m.file.c.path == path)
    return list(connection.execute(query).scalars())


def frames_named(connection: Connection, name: bytes) -> list[int]:
    """Find frames by their file's name alone, in whatever folder."""
    query = select(m.file.c.path, m.header.c.frame_id).join(m.header).order_by(m.header.c.frame_id)
    end = b"/" + name  # bytes: compared here, as databases differ in what they can do with them
    found = (i for path, i in connection.execute(query) if bytes(path).endswith(end))
    return list(dict.fromkeys(found))


def frames_keyed(connection: Connection, start: str) -> list[int]:
    """Find frames by the start of their key."""
    by_key = select(m.frame.c.id).where(m.frame.c.content_key.startswith(start, autoescape=True))
    return list(connection.execute(by_key.limit(50)).scalars())
