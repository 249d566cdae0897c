"""How a rig's camera stood in earlier nights: the angles of frames on the references they share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select

from runlog.core.frame import Kind
from runlog.store import models as m
from runlog.store.parts import in_parts


@dataclass(frozen=True, slots=True)
class Angles:
    """What the lights of a night say, by content key: on a reference, and of the rotator."""

    night: str  # ISO date of the evening
    field_deg: tuple[float, ...]
    rotator_deg: tuple[float, ...]  # of those whose header says


def angles_before(
    connection: Connection, rig_id: int, night: str, references: Sequence[str], least: int
) -> dict[str, Angles]:
    """Give for each reference what the last night before one that tells its angle says of it.

    A night tells it by at least so many of the rig's lights.
    """
    nights_of = _nights_before(connection, rig_id, night, references)
    waiting = {key: sorted(nights) for key, nights in nights_of.items()}
    found = {}
    while waiting:  # all references at once, and those again whose last night told too little
        last = {key: nights.pop() for key, nights in waiting.items()}
        runs = {key: nights_of[key][night] for key, night in last.items()}
        for key, rows in _angles(connection, runs).items():
            if len(rows) >= least:
                rotator = tuple(deg for _, deg in rows if deg is not None)
                found[key] = Angles(last[key], tuple(deg for deg, _ in rows), rotator)
        waiting = {key: nights for key, nights in waiting.items() if nights and key not in found}
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


def _angles(
    connection: Connection, runs: Mapping[str, Sequence[int]]
) -> dict[str, list[tuple[float, float | None]]]:
    """Load the angles of each reference in some runs of its own."""
    f = m.frame.c
    found: dict[str, list[tuple[float, float | None]]] = {}
    query = (
        select(f.run_id, f.matched_to, f.rotation_deg, f.rotator_deg)
        .where(f.kind == Kind.LIGHT.value, f.counted.is_(True), f.rotation_deg.is_not(None))
        .order_by(f.content_key)
    )
    for part in in_parts(sorted({run_id for own in runs.values() for run_id in own})):
        for run_id, key, field, rotator in connection.execute(query.where(f.run_id.in_(part))):
            if run_id in runs.get(key, ()):
                found.setdefault(key, []).append((field, rotator))
    return found
