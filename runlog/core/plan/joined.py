"""A rig's own goals, and behind them those of other rigs that it serves as well: one plan."""

from collections.abc import Mapping
from dataclasses import fields, replace

import numpy as np

from runlog.core.plan.frames_fit import SECOND, Span, Turn, common, without
from runlog.core.plan.night import Chance, NightPlan
from runlog.core.plan.season import Outlook
from runlog.core.plan.wanted import Action, Knowledge, Setting


def busy_of(plan: NightPlan) -> tuple[Turn, ...]:
    """Give when a plan's blocks, and the setting up for each, leave no time for anything else."""
    setup = plan.setting.known.cadence.setup_s * SECOND
    return tuple(Turn(block.start - setup, block.end) for block in plan.blocks)


def free_of(plan: NightPlan) -> list[Span]:
    """List the spans of the dark that a plan does not fill."""
    until = plan.setting.until
    dark = common([plan.dark.span] if plan.dark.span else [], (-np.inf, until or np.inf))
    return without(dark, busy_of(plan))


def joined(own: NightPlan, guests: NightPlan) -> NightPlan:
    """Put what is planned for guests into the time that a rig's own goals leave.

    Guests of which nothing is planned are left out: why is told where they belong.
    """
    taken = [a for a in guests.actions if any(b.action == a for b in guests.blocks)]
    if not taken:
        return own
    goals = sorted({n for action in taken for n in action.serves})
    moved = _renumbered(taken, {n: len(own.wanted) + i for i, n in enumerate(goals)})
    kept = [i for i, action in enumerate(guests.looked_actions) if action in moved]
    blocks = [replace(block, action=moved[block.action]) for block in guests.blocks]
    first = own if own.blocks else guests  # what is said of the order is said of what comes first
    return replace(
        own,
        setting=_setting(own.setting, guests.setting, {a.filter for a in taken}),
        wanted=own.wanted + tuple(guests.wanted[n] for n in goals),
        actions=own.actions + tuple(moved.values()),
        chances=own.chances + _chances(guests, moved),
        blocks=tuple(sorted([*own.blocks, *blocks], key=lambda block: block.start)),
        order=first.order,
        value=first.value,
        guests=len(goals),
        seasons=own.seasons + tuple(guests.seasons[n] for n in goals),
        urgencies=own.urgencies + tuple(guests.urgencies[n] for n in goals),
        looked=_looked(own.looked, guests.looked, kept),
        looked_actions=own.looked_actions + tuple(moved[guests.looked_actions[i]] for i in kept),
    )


def _renumbered(taken: list[Action], new: Mapping[int, int]) -> dict[Action, Action]:
    """Let actions serve goals by their numbers in the joined plan."""
    return {a: replace(a, serves=tuple(new[n] for n in a.serves)) for a in taken}


def _chances(guests: NightPlan, moved: Mapping[Action, Action]) -> tuple[Chance | None, ...]:
    found = dict(zip(guests.actions, guests.chances, strict=True))
    each = ((found[old], new) for old, new in moved.items())
    return tuple(None if chance is None else replace(chance, action=new) for chance, new in each)


def _setting(own: Setting, guests: Setting, filters: set[str]) -> Setting:
    """Know of the guests' filters as well."""
    known: Knowledge = own.known
    for name in ("laws", "extinction_mag", "share"):
        theirs = {f: v for f, v in getattr(guests.known, name).items() if f in filters}
        known = replace(known, **{name: theirs | getattr(known, name)})
    return replace(own, known=known)


def _looked(own: Outlook, guests: Outlook, kept: list[int]) -> Outlook:
    parts = {
        part.name: np.concatenate([getattr(own, part.name), getattr(guests, part.name)[kept]])
        for part in fields(Outlook)
    }
    return Outlook(**parts)
