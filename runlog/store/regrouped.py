"""Hours by grade of the groups that hold newly marked frames: added up where the marks are made.

Settling comes to the same, and to depth and other nights as well, a moment later. Until then a sum
that is read beside a grade must not contradict it.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, select, tuple_, update

from runlog.core.ledger.totals import GRADE_SUM
from runlog.store import models as m
from runlog.store.parts import MANY_IN_ONE_QUESTION, in_parts
from runlog.store.totals import seconds_by_grade
from runlog.store.where import lights

Group = tuple[int, str, str]  # run, target, filter


def add_up_grades(connection: Connection, frame_ids: Sequence[int]) -> None:
    """Write the hours by grade of every run, target and filter that holds one of the frames."""
    found = [
        dict(zip(("run", "of_target", "of_filter", *GRADE_SUM.values()), row, strict=True))
        for row in _sums(connection, sorted(_groups(connection, frame_ids)))
    ]
    if found:
        s = m.run_sum.c
        wanted = (s.run_id == bindparam("run"), s.target == bindparam("of_target"),
                  s.filter == bindparam("of_filter"))  # fmt: skip
        connection.execute(update(m.run_sum).where(*wanted), found)


def _groups(connection: Connection, frame_ids: Sequence[int]) -> set[Group]:
    f = m.frame.c
    found: set[Group] = set()
    for part in in_parts(frame_ids, MANY_IN_ONE_QUESTION):
        query = select(f.run_id, f.target, f.filter).where(f.id.in_(part)).distinct()
        found |= {tuple(row) for row in connection.execute(query)}
    return found


def _sums(connection: Connection, groups: Sequence[Group]) -> list[tuple[Any, ...]]:
    f = m.frame.c
    own = (f.run_id, f.target, f.filter)
    query = select(*own, *seconds_by_grade()).where(*lights()).group_by(*own)
    found: list[tuple[Any, ...]] = []
    for part in in_parts(groups, MANY_IN_ONE_QUESTION):
        asked = query.where(
            f.run_id.in_({run for run, _, _ in part}),
            tuple_(*own).in_(part),
        )
        found += [tuple(row) for row in connection.execute(asked)]
    return found
