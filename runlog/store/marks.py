"""A person's own grades: appended, never changed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, bindparam, func, insert, select

from runlog.store import models as m
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


def add_marks(
    connection: Connection,
    frame_ids: Iterable[int],
    grade: str,
    note: str | None,
    who: str,
    at_utc: datetime,
) -> None:
    """Append one mark a frame, each pointing at the one it replaces."""
    for frame_id in frame_ids:
        last = connection.execute(
            select(func.max(m.mark.c.id)).where(m.mark.c.frame_id == frame_id)
        ).scalar()
        connection.execute(
            insert(m.mark).values(
                frame_id=frame_id, grade=grade, note=note, who=who, at_utc=at_utc, undoes=last
            )
        )


def history(connection: Connection, frame_id: int) -> Sequence[Mark]:
    """List all marks ever made on a frame, oldest first."""
    query = select(m.mark).where(m.mark.c.frame_id == frame_id).order_by(m.mark.c.id)
    return [Mark(*row) for row in connection.execute(query)]


_LATEST = (
    select(func.max(m.mark.c.id))
    .join(m.frame, m.frame.c.id == m.mark.c.frame_id)
    .where(m.frame.c.run_id == bindparam("run"))
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
