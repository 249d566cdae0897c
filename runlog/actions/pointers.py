"""What totals and a night's summary say of the night to come: goals that are short."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Engine

from runlog.actions.tonight import Asked, Tonight, tonight
from runlog.config import Settings
from runlog.core.plan.publish import gain_words
from runlog.core.plan.wanted import Key, Wanted
from runlog.errors import UsageError
from runlog.store.engine import reading
from runlog.store.goals import goals

MOST = 3  # lines; the plan itself tells the rest
MORE = "The whole plan: runlog tonight"
MORE_OF_MINE = f"{MORE} --mine"


def pointers(
    engine: Engine,
    settings: Settings,
    now: datetime,
    about: Collection[tuple[str, str]] | None = None,
    owner: str | None = None,
) -> list[str]:
    """Say of goals that are short what the coming night gives them; nothing without goals.

    `about` are the targets and filters that matter; else all. Those the plan serves come first. The
    goals are everybody's, or those of a login's own (`owner`).
    """
    with reading(engine) as connection:
        if not goals(connection, owner):
            return []
    try:
        found = tonight(engine, settings, Asked(now, owner=owner))
    except UsageError as error:  # no site: that is no matter of totals
        return [f"No plan for tonight: {error.what}"]
    lines = [
        gain_words(wanted, planned_s)
        for wanted, planned_s in _short(found)
        if about is None or (wanted.target, wanted.filter) in about
    ]
    more = MORE if owner is None else MORE_OF_MINE
    return [*lines[:MOST], more] if lines else []


def _short(found: Tonight) -> list[tuple[Wanted, float]]:
    """List open goals and the effective seconds that all rigs give each, the most served first."""
    short: dict[Key, tuple[Wanted, float]] = {}
    for one in found.rigs:
        for number, wanted in enumerate(one.plan.wanted):
            shared = one.plan.shared.get(wanted.key)
            planned_s = shared.together_s if shared else one.plan.planned_s(number)
            short[wanted.key] = wanted, planned_s
    return sorted(short.values(), key=lambda pair: (-pair[1], pair[0].order))
