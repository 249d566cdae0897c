"""How a rig's camera stood in earlier nights: the angles of frames on the references they share."""

from collections.abc import Sequence

from sqlalchemy import ColumnElement, Connection, func, select

from runlog.core.frame import Kind
from runlog.store import models as m


def angles_before(
    connection: Connection, rig_id: int, night: str, references: Sequence[str], least: int
) -> dict[str, tuple[str, list[float]]]:
    """Give for each reference the last night before one that tells an angle, and its angles.

    In degrees, of the rig's lights; a night tells one by at least so many of them.
    """
    f, r = m.frame.c, m.run.c
    which = [
        *(r.rig_id == rig_id, r.night < night, r.night != ""),
        *(f.kind == Kind.LIGHT.value, f.counted.is_(True), f.rotation_deg.is_not(None)),
    ]
    found = {}
    for key in references:
        last = _last_night(connection, [*which, f.matched_to == key], least)
        if last is not None:
            query = select(f.rotation_deg).join(m.run, r.id == f.run_id).order_by(f.content_key)
            angles = connection.execute(query.where(*which, f.matched_to == key, r.night == last))
            found[key] = (last, list(angles.scalars()))
    return found


def _last_night(
    connection: Connection, which: Sequence[ColumnElement[bool]], least: int
) -> str | None:
    f, r = m.frame.c, m.run.c
    nights = select(r.night).join(m.frame, r.id == f.run_id).where(*which)
    enough = nights.group_by(r.night).having(func.count() >= least)
    return connection.execute(enough.order_by(r.night.desc()).limit(1)).scalar()
