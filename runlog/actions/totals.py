"""Totals per target and filter against goals, and setting goals."""

import math
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine

from runlog.actions.select import one_filter
from runlog.core.targets import fold_target
from runlog.core.totals import SECONDS_PER_HOUR, Total, with_goal
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store import totals as total_store
from runlog.store.engine import reading, writing

TOTAL_KEYS = (
    "target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s goal_s "
    "to_go_s frames_to_go nights"
).split()
MOST_HOURS = 10_000.0  # more than a year of clear dark nights


def total_rows(engine: Engine, target: str | None = None) -> list[dict[str, Any]]:
    """List totals with the keys of `runlog.totals/1`; goals without frames yet included."""
    folded = fold_target(target) if target is not None else None
    with reading(engine) as connection:
        totals = total_store.totals(connection, folded)
        wanted = goal_store.goals(connection)
    return rows_of(totals, {k: v for k, v in wanted.items() if folded in (None, k[0])})


def rows_of(totals: list[Total], wanted: dict[tuple[str, str], float]) -> list[dict[str, Any]]:
    """Set totals against goals (hours), and add a row for each goal nothing was shot for."""
    have = {(t.target, t.filter) for t in totals}
    empty = [Total(*key) for key in wanted if key not in have]
    matched = [with_goal(t, _seconds(wanted.get((t.target, t.filter)))) for t in (*totals, *empty)]
    matched.sort(key=lambda t: (t.target, t.filter))
    return [{key: getattr(t, key) for key in TOTAL_KEYS} for t in matched]


def _seconds(hours: float | None) -> float | None:
    return None if hours is None else hours * SECONDS_PER_HOUR


def set_goal(
    engine: Engine,
    target: str,
    filter_name: str,
    hours: float,
    who: str,
    filter_names: dict[str, str] | None = None,
) -> tuple[str, str]:
    """Set the hours wanted; 0 takes the goal away. Returns the folded names."""
    if not math.isfinite(hours) or hours < 0 or hours > MOST_HOURS:
        raise UsageError(
            f"A goal of {hours:g} hours makes no sense",
            cure=f"Give hours between 0 (no goal) and {MOST_HOURS:,.0f}",
        )
    folded = fold_target(target), one_filter(filter_name, filter_names or {})
    with writing(engine) as connection:
        goal_store.set_goal(connection, *folded, hours, who, datetime.now(UTC))
    return folded
