"""What a person wants of a target and filter: appended, the last line holds."""

from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from runlog.core.ledger.goals import Goal, GoalForm
from runlog.store import models as m
from runlog.store.targets import changes_in_force


def append_goal(connection: Connection, goal: Goal, who: str, at_utc: datetime) -> None:
    """Append a goal; a value of 0 takes it away."""
    values: dict[str, Any] = asdict(goal) | {"form": goal.form.value, "who": who, "at_utc": at_utc}
    connection.execute(insert(m.goal).values(values))


def goals(connection: Connection) -> dict[tuple[str, str], Goal]:
    """Load the goals in force, under the names their targets go by today."""
    latest = select(func.max(m.goal.c.id)).group_by(m.goal.c.target, m.goal.c.filter)
    g = m.goal.c
    query = select(m.goal).where(g.id.in_(latest)).order_by(g.id)
    changes = changes_in_force(connection)
    own: dict[tuple[str, str], Goal] = {}
    merged: dict[tuple[str, str], Goal] = {}
    for row in connection.execute(query):
        goal = _goal(row)
        name = changes.final(goal.target)
        book = own if name == goal.target else merged
        book[(name, goal.filter)] = goal
    # A goal set under the name itself outranks one that came with a merged name.
    return {key: goal for key, goal in (merged | own).items() if goal.value > 0}


def _goal(row: Row[Any]) -> Goal:
    return Goal(
        target=row.target,
        filter=row.filter,
        form=GoalForm(row.form),
        value=row.value,
        of_filter=row.of_filter,
        base_s=row.base_s,
        base_from=row.base_from,
        priority=row.priority,
        count_doubtful=row.count_doubtful,
    )
