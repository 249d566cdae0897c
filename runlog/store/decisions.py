"""Many marks at once, and the marks in force: appended, never changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, bindparam, func, insert, select, update

from runlog.store import models as m
from runlog.store.marks import AUTO, Mark
from runlog.store.mine import frames_i_decide_on
from runlog.store.parts import MANY_IN_ONE_QUESTION, in_parts
from runlog.store.regrouped import add_up_grades
from runlog.store.runs import touch_frames


@dataclass(frozen=True, slots=True)
class Decision:
    """A grade a person gives a frame; `auto` takes theirs back."""

    frame_id: int
    grade: str
    note: str | None


def latest_marks(
    connection: Connection, frame_ids: Sequence[int], who: str = ""
) -> dict[int, Mark]:
    """Load the last mark of each frame that ever had one, `auto` included.

    Of frames on which `who` does not decide it is their own note.
    """
    deciding = frames_i_decide_on(connection, frame_ids)
    noting = [i for i in frame_ids if i not in deciding]
    found = _latest(connection, [i for i in frame_ids if i in deciding], m.mark.c.decides)
    return found | _latest(connection, noting, ~m.mark.c.decides, m.mark.c.who == who)


def _latest(
    connection: Connection, frame_ids: Sequence[int], *which: ColumnElement[bool]
) -> dict[int, Mark]:
    found: dict[int, Mark] = {}
    for part in in_parts(frame_ids, MANY_IN_ONE_QUESTION):
        last = select(func.max(m.mark.c.id)).where(m.mark.c.frame_id.in_(part), *which)
        query = select(m.mark).where(m.mark.c.id.in_(last.group_by(m.mark.c.frame_id)))
        found |= {row.frame_id: Mark(*row) for row in connection.execute(query)}
    return found


def grades_shown(connection: Connection, frame_ids: Sequence[int]) -> dict[int, str]:
    """Load the grades lists show; a person's has a star there and here."""
    f = m.frame.c
    found: dict[int, str] = {}
    for part in in_parts(frame_ids, MANY_IN_ONE_QUESTION):
        query = select(f.id, f.grade, f.graded_by).where(f.id.in_(part))
        rows = connection.execute(query)
        found |= {i: f"{grade} *" if by == "person" else grade for i, grade, by in rows}
    return found


def append_decisions(
    connection: Connection,
    decisions: Sequence[Decision],
    before: Mapping[int, Mark],
    who: str,
    at_utc: datetime,
) -> set[int]:
    """Append marks, show them on their frames at once, and leave their runs to be settled.

    On frames of a rig that others keep they are notes, which change nothing of the frame; gives
    the frames that they decide on.
    """
    if not decisions:
        return set()
    deciding = frames_i_decide_on(connection, [d.frame_id for d in decisions])
    connection.execute(
        insert(m.mark),
        [
            {"frame_id": d.frame_id, "grade": d.grade, "note": d.note, "who": who,
             "at_utc": at_utc, "undoes": before[d.frame_id].id if d.frame_id in before else None,
             "decides": d.frame_id in deciding}
            for d in decisions
        ],
    )  # fmt: skip
    decided = [d for d in decisions if d.frame_id in deciding]
    _show(connection, decided)
    frame_ids = [d.frame_id for d in decided]
    add_up_grades(connection, frame_ids)
    touch_frames(connection, frame_ids)
    return set(frame_ids)


def _show(connection: Connection, decisions: Sequence[Decision]) -> None:
    """Write grades where lists read them; settling comes to the same a moment later."""
    f = m.frame.c
    taken_back = [_bound(d) for d in decisions if d.grade == AUTO]
    given = [_bound(d) for d in decisions if d.grade != AUTO]
    this = update(m.frame).where(f.id == bindparam("frame"))
    if taken_back:
        connection.execute(this.values(grade=f.auto_grade, graded_by="auto", note=None), taken_back)
    if given:
        values: dict[str, Any] = {"grade": bindparam("given"), "note": bindparam("said")}
        connection.execute(this.values(graded_by="person", **values), given)


def _bound(decision: Decision) -> dict[str, Any]:
    if decision.grade == AUTO:
        return {"frame": decision.frame_id}
    return {"frame": decision.frame_id, "given": decision.grade, "said": decision.note}
