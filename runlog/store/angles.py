"""How a rig's camera stood in earlier nights: the angles of frames on the references they share."""

from collections.abc import Sequence

from sqlalchemy import Connection, select

from runlog.core.frame import Kind
from runlog.store import models as m


def angles_before(
    connection: Connection, rig_id: int, night: str, references: Sequence[str]
) -> list[tuple[str, str, float]]:
    """List reference, night and angle in degrees of a rig's lights of the nights before one."""
    f, r = m.frame.c, m.run.c
    query = (
        select(f.matched_to, r.night, f.rotation_deg)
        .join(m.run, r.id == f.run_id)
        .where(r.rig_id == rig_id, r.night < night, r.night != "")
        .where(f.kind == Kind.LIGHT.value, f.counted.is_(True), f.rotation_deg.is_not(None))
        .where(f.matched_to.in_(references))
        .order_by(r.night, f.content_key)
    )
    return [(key, when, angle) for key, when, angle in connection.execute(query)]
