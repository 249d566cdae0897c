"""Hours run by run, by the references of today."""

from dataclasses import dataclass

from sqlalchemy import Connection, select

from runlog.core.ledger.totals import LACK_SUM
from runlog.core.ledger.worth import Part, Worth, together, worth_of
from runlog.store import models as m
from runlog.store.depth import references
from runlog.store.totals import DEPTHS

Key = tuple[int, str, str]  # run, target, filter


@dataclass(frozen=True, slots=True)
class RunHours:
    """What one run holds of a target and filter, and what that is worth today."""

    kept_s: float
    worth: Worth


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
    sums = select(
        s.run_id, s.target, s.filter, s.kept_s, *[s[name] for name in LACK_SUM.values()]
    ).order_by(s.run_id, s.target, s.filter)
    found = {}
    for row in connection.execute(sums):
        key = (row.run_id, row.target, row.filter)
        lacking = {why: row._mapping[name] for why, name in LACK_SUM.items()}
        worth = worth_of(parts.get(key, ()), against, lacking)
        found[key] = RunHours(row.kept_s, worth)
    return found


def runs_worth(connection: Connection) -> dict[int, Worth]:
    """Add up what each run is worth, all its targets and filters together."""
    parts: dict[int, list[Worth]] = {}
    for (run_id, _, _), hours in run_hours(connection).items():
        parts.setdefault(run_id, []).append(hours.worth)
    return {run_id: together(worths) for run_id, worths in parts.items()}
