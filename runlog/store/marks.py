"""A person's own grades: appended, never changed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Connection, bindparam, exists, func, select

from runlog.core.frame import Frame
from runlog.store import models as m
from runlog.store.parts import in_parts
from runlog.store.roots import FilePlace, Roots

AUTO = "auto"  # the mark that takes a mark back


@dataclass(frozen=True, slots=True)
class Mark:
    """One decision about one frame."""

    id: int
    frame_id: int
    grade: str
    note: str | None
    who: str
    at_utc: datetime
    undoes: int | None
    decides: bool  # made by one who keeps the rig; else a note


def history(connection: Connection, frame_id: int) -> Sequence[Mark]:
    """List all marks ever made on a frame, oldest first."""
    query = select(m.mark).where(m.mark.c.frame_id == frame_id).order_by(m.mark.c.id)
    return [Mark(*row) for row in connection.execute(query)]


_LATEST = (
    select(func.max(m.mark.c.id))
    .join(m.frame, m.frame.c.id == m.mark.c.frame_id)
    .where(m.frame.c.run_id == bindparam("run"), m.mark.c.decides)
    .group_by(m.mark.c.frame_id)
)
_STANDING = select(m.mark).where(m.mark.c.id.in_(_LATEST), m.mark.c.grade != AUTO)


def standing_marks(connection: Connection, run_id: int) -> dict[int, Mark]:
    """Load the mark in force for each marked frame of a run."""
    rows = connection.execute(_STANDING, {"run": run_id})
    return {row.frame_id: Mark(*row) for row in rows}


def runs_with_marks(connection: Connection) -> set[int]:
    """Find the runs in which a person has marked frames."""
    query = select(m.frame.c.run_id).join(m.mark, m.mark.c.frame_id == m.frame.c.id).distinct()
    query = query.where(m.mark.c.decides)
    return set(connection.execute(query).scalars())


def paths_of_unmarked_lights(connection: Connection) -> list[tuple[int, bytes, bytes]]:
    """List light frames that nobody ever marked, with their paths as first known and as shown."""
    f = m.file.c
    query = (
        select(m.frame.c.id, f.root_id, f.path)
        .join(m.header, m.header.c.frame_id == m.frame.c.id)
        .join(m.file, f.header_id == m.header.c.id)
        .where(m.frame.c.kind == "light", m.frame.c.counted)
        .where(m.frame.c.id.not_in(select(m.mark.c.frame_id)))
    )
    roots = Roots.load(connection)
    found = [
        (frame_id, roots.told(FilePlace(root_id, bytes(path))), roots.shown(root_id, bytes(path)))
        for frame_id, root_id, path in connection.execute(query)
    ]
    return sorted(found, key=lambda entry: entry[2])


# --- what others say ------------------------------------------------------------------------

_K = m.mark.c
_NOTED = (
    select(func.max(_K.id))
    .where(~_K.decides, _K.frame_id.in_(bindparam("some", expanding=True)))
    .group_by(_K.frame_id, _K.who)
)
_SAID = (
    select(_K.frame_id, _K.who, _K.grade, _K.note)
    .where(_K.id.in_(_NOTED), _K.grade != AUTO)
    .order_by(_K.frame_id, _K.who)
)
_ANY_NOTED = select(exists().where(~_K.decides))


def with_said(connection: Connection, frames: Sequence[Frame]) -> list[Frame]:
    """Put beside frames what people say of them whose rig it is not."""
    if not frames or not connection.execute(_ANY_NOTED).scalar():
        return list(frames)
    said = _said(connection, [frame.identity.id for frame in frames])
    return [_with_said(frame, said.get(frame.identity.id, ())) for frame in frames]


def _with_said(frame: Frame, said: Sequence[str]) -> Frame:
    if not said:
        return frame
    return replace(frame, judgement=replace(frame.judgement, said=tuple(said)))


def _said(connection: Connection, frame_ids: Sequence[int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for part in in_parts(frame_ids):
        for frame_id, who, grade, note in connection.execute(_SAID, {"some": part}):
            words = f"{who} says {grade}" + (f": {note}" if note else "")
            found.setdefault(frame_id, []).append(words)
    return found
