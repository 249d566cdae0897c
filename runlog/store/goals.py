"""What a person wants of a target and filter: appended, the last line holds."""

from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from runlog.core.ledger.goals import Goal, GoalForm
from runlog.store import models as m
from runlog.store.mine import require_keeper
from runlog.store.targets import changes_in_force


def require_setter(connection: Connection, owner: str | None) -> None:
    """Refuse to set a goal of everybody's to all but the keeper."""
    if owner is None:
        require_keeper(
            connection,
            "The goals that hours count against are everybody's here: only the keeper sets them",
            "To have a goal of your own beside them: runlog goal TARGET FILTER HOURS --mine",
        )


def append_goal(
    connection: Connection, goal: Goal, who: str, at_utc: datetime, owner: str | None = None
) -> None:
    """Append a goal of everybody's, or of one login's own; a value of 0 takes it away."""
    require_setter(connection, owner)
    values: dict[str, Any] = asdict(goal) | {"form": goal.form.value, "owner": owner}
    connection.execute(insert(m.goal).values(values | {"who": who, "at_utc": at_utc}))


def goals(connection: Connection, owner: str | None = None) -> dict[tuple[str, str], Goal]:
    """Load the goals in force, everybody's or one login's own, by the targets' names of today."""
    g = m.goal.c
    whose = g.owner.is_(None) if owner is None else g.owner == owner
    latest = select(func.max(g.id)).where(whose).group_by(g.target, g.filter)
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
