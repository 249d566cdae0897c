"""Hours wanted per target and filter: appended, the last one holds."""

from datetime import datetime

from sqlalchemy import Connection, func, insert, select

from runlog.store import models as m


def set_goal(
    connection: Connection, target: str, filter_name: str, hours: float, who: str, at_utc: datetime
) -> None:
    """Append a goal; 0 hours takes it away."""
    connection.execute(
        insert(m.goal).values(
            target=target, filter=filter_name, hours=hours, who=who, at_utc=at_utc
        )
    )


def goals(connection: Connection) -> dict[tuple[str, str], float]:
    """Load the goals in force, in hours."""
    latest = select(func.max(m.goal.c.id)).group_by(m.goal.c.target, m.goal.c.filter)
    g = m.goal.c
    query = select(g.target, g.filter, g.hours).where(g.id.in_(latest), g.hours > 0)
    return {(target, name): hours for target, name, hours in connection.execute(query)}
