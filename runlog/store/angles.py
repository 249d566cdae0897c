"""How a rig's camera stood in earlier nights: the angles of frames on the references they share."""

from collections.abc import Sequence

from sqlalchemy import Connection, select

from runlog.core.frame import Kind
from runlog.store import models as m


def angles_before(
    connection: Connection, rig_id: int, night: str, references: Sequence[str], least: int
) -> dict[str, tuple[str, list[float]]]:
    """Give for each reference the last night before one that tells an angle, and its angles.

    In degrees, of the rig's lights; a night tells one by at least so many of them.
    """
    found = {}
    for key, nights in _nights_before(connection, rig_id, night, references).items():
        for last in sorted(nights, reverse=True):
            angles = _angles(connection, key, nights[last])
            if len(angles) >= least:
                found[key] = (last, angles)
                break
    return found


def _nights_before(
    connection: Connection, rig_id: int, night: str, references: Sequence[str]
) -> dict[str, dict[str, list[int]]]:
    """List the rig's runs with frames of each reference, by night; the index alone knows them."""
    f, r = m.frame.c, m.run.c
    earlier = select(r.id, r.night).where(r.rig_id == rig_id, r.night < night, r.night != "")
    night_of: dict[int, str] = dict(connection.execute(earlier).all())
    query = select(f.matched_to, f.run_id).distinct().where(f.matched_to.in_(references))
    found: dict[str, dict[str, list[int]]] = {}
    for key, run_id in connection.execute(query):
        if run_id in night_of:
            found.setdefault(key, {}).setdefault(night_of[run_id], []).append(run_id)
    return found


def _angles(connection: Connection, reference: str, runs: Sequence[int]) -> list[float]:
    f = m.frame.c
    query = (
        select(f.rotation_deg)
        .where(f.run_id.in_(runs), f.matched_to == reference)
        .where(f.kind == Kind.LIGHT.value, f.counted.is_(True), f.rotation_deg.is_not(None))
        .order_by(f.content_key)
    )
    return list(connection.execute(query).scalars())
