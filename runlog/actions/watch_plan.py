"""When the plan of a night that goes on ends: after its last frame none is overdue."""

from datetime import date, datetime, timedelta

from sqlalchemy import Engine

from runlog.actions.tonight import Asked, tonight
from runlog.config import Settings
from runlog.core.plan.sky_grid import moment_of
from runlog.core.selection import Selection
from runlog.errors import UsageError


def plan_end(
    engine: Engine, settings: Settings, rig: str, night: str, target: str, now: datetime
) -> datetime | None:
    """Give when the plan of a rig's night ends, by the goals as they stood when it began.

    None where no plan tells: without goals or a site, or where the last that is planned is not the
    `target` the rig was at: then it follows another plan than ours.
    """
    before = (date.fromisoformat(night) - timedelta(days=1)).isoformat()
    asked = Asked(now, date=night, selection=Selection(rigs=(rig,)), goals_until=before)
    try:
        planned = tonight(engine, settings, asked)
    except UsageError:
        return None
    blocks = [block for own in planned.rigs for block in own.plan.blocks]
    if not planned.goals_set or not blocks:
        return None
    last = max(blocks, key=lambda block: block.end)
    return moment_of(last.end) if last.action.target == target else None
