"""Hours run by run: those of today, and those of before an upgrade that changed them."""

from dataclasses import dataclass

from sqlalchemy import Connection, delete, select

from runlog.core.ledger.totals import LACK_SUM
from runlog.core.ledger.worth import Part, Worth, worth_of
from runlog.store import models as m
from runlog.store.depth import references
from runlog.store.totals import DEPTHS

Key = tuple[int, str, str]  # run, target, filter


@dataclass(frozen=True, slots=True)
class RunHours:
    """What one run holds of a target and filter, and what that is worth today."""

    night: str
    rig: str
    kept_s: float
    worth: Worth


@dataclass(frozen=True, slots=True)
class HoursBefore:
    """What it was worth before."""

    kept_s: float
    effective_s: float | None


def run_hours(connection: Connection) -> dict[Key, RunHours]:
    """Load all hours, run by run: the stored sums over the references of today."""
    parts: dict[Key, list[Part]] = {}
    t, r, s = m.run_light.c, m.run.c, m.run_sum.c
    deep = select(
        t.run_id, r.rig_id, r.depth_form, t.target, t.filter, t.base, *[t[name] for name in DEPTHS]
    ).join(m.run, r.id == t.run_id)
    for run_id, *values in connection.execute(deep):
        part = Part(*values)
        parts.setdefault((run_id, part.target, part.filter), []).append(part)
    against = references(connection)
    sums = (
        select(s.run_id, s.target, s.filter, s.kept_s, *[s[name] for name in LACK_SUM.values()])
        .add_columns(r.night, m.rig.c.name.label("rig"))
        .join(m.run, r.id == s.run_id)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .order_by(r.night, m.rig.c.name, s.target, s.filter)
    )
    found = {}
    for row in connection.execute(sums):
        key = (row.run_id, row.target, row.filter)
        lacking = {why: row._mapping[name] for why, name in LACK_SUM.items()}
        worth = worth_of(parts.get(key, ()), against, lacking)
        found[key] = RunHours(row.night, row.rig, row.kept_s, worth)
    return found


def hours_before(connection: Connection) -> dict[Key, HoursBefore]:
    """Load the hours of before the last upgrade, while they have not been compared yet."""
    h = m.hours_before.c
    rows = connection.execute(select(h.run_id, h.target, h.filter, h.kept_s, h.effective_s))
    return {(run, target, name): HoursBefore(*hours) for run, target, name, *hours in rows}


def waits_to_be_compared(connection: Connection) -> bool:
    """Tell whether hours of before an upgrade wait to be compared."""
    return connection.execute(select(m.hours_before.c.run_id).limit(1)).first() is not None


def forget_hours_before(connection: Connection) -> None:
    """Drop the hours of before an upgrade: they have been compared."""
    connection.execute(delete(m.hours_before))
