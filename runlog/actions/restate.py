"""Tell where effective hours became others though the same frames are kept."""

from collections.abc import Mapping

from sqlalchemy import Engine

from runlog.core.ledger.restated import Held, Restated, restated
from runlog.store import run_hours as store
from runlog.store.engine import reading
from runlog.store.run_hours import Key, RunHours

Hours = Mapping[Key, RunHours]


def hours_now(engine: Engine) -> Hours:
    """Load the hours of every run, to compare them later."""
    with reading(engine) as connection:
        return store.run_hours(connection)


def restatements(before: Hours, now: Hours) -> list[Restated]:
    """List the targets and filters whose hours of before are others now, by more than 3 %."""
    held: dict[tuple[str, str], list[Held]] = {}
    for key, old in before.items():
        new = now.get(key)
        if new is not None and old.kept_s == new.kept_s:
            held.setdefault(key[1:], []).append(Held(old.worth, new.worth))
    found = (restated(*names, runs) for names, runs in sorted(held.items()))
    return [one for one in found if one is not None]
