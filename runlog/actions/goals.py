"""Set goals: hours, a ratio of another filter, or a gain in signal to noise."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.names import meant, target_among
from runlog.actions.totals import counting
from runlog.config import Settings
from runlog.core.columns import hours
from runlog.core.escape import for_shell
from runlog.core.header.filters import KNOWN_FILTERS, NO_FILTER, fold_filter
from runlog.core.ledger.goals import USUAL_PRIORITY, Goal, GoalForm, Key, base_of_gain, set_against
from runlog.core.ledger.totals import SECONDS_PER_HOUR
from runlog.core.selection import Selection
from runlog.core.targets.names import NO_TARGET
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import goals as store
from runlog.store import totals as total_store
from runlog.store.engine import reading, writing
from runlog.store.targets import targets_seen

MOST_HOURS = 10_000.0  # more than a year of clear dark nights
MOST_RATIO = 100.0
MOST_GAIN = 10.0  # a hundred times the hours there are
PRIORITIES = range(1, 10)


@dataclass(frozen=True, slots=True)
class Wish:
    """A goal as typed."""

    target: str
    filter: str
    form: GoalForm
    value: float
    of_filter: str | None = None
    priority: int | None = None  # None: as before
    count_doubtful: bool | None = None
    new: bool = False  # a target never seen is meant


def wish(
    engine: Engine, settings: Settings, typed: Wish, who: str, owner: str | None = None
) -> Goal:
    """Set a goal, or with a value of 0 take it away; nothing is written unless all of it fits.

    It is everybody's, or with `owner` that login's own, beside what everybody's is.
    """
    _check_value(typed)
    with reading(engine) as connection:  # before a reader is told how to write at all
        store.require_setter(connection, owner)
    with writing(engine, "the goal is stored") as connection:
        before = store.goals(connection, owner)
        goal = _goal(connection, settings, typed, before)
        store.append_goal(connection, goal, who, datetime.now(UTC), owner)
    return goal


def _check_value(typed: Wish) -> None:
    most, what = {
        GoalForm.HOURS: (MOST_HOURS, "hours"),
        GoalForm.RATIO: (MOST_RATIO, "times another filter"),
        GoalForm.GAIN: (MOST_GAIN, "times the signal to noise"),
    }[typed.form]
    value = typed.value
    wrong = not math.isfinite(value) or value < 0 or value > most
    if wrong or (typed.form is GoalForm.GAIN and 0 < value <= 1):
        least = 1 if typed.form is GoalForm.GAIN else 0
        raise UsageError(
            f"A goal of {value:g} {what} makes no sense; nothing was changed",
            cure=f"Give a number above {least}, at most {most:,.0f}; 0 hours takes a goal away",
        )
    if typed.priority is not None and typed.priority not in PRIORITIES:
        raise UsageError(
            f"There is no priority {typed.priority}", cure="1 is first, 9 is last, 5 is usual"
        )


def _goal(connection: Connection, settings: Settings, typed: Wish, before: dict[Key, Goal]) -> Goal:
    seen = targets_seen(connection)
    known = seen | {split_panel(t)[0] for t in seen} | {key[0] for key in before}
    target = target_among(connection, typed.target, known)
    name = known_filter(connection, settings, typed.filter)
    _check_target(target, typed, known)
    old = before.get((target, name))
    if not typed.value and old is None:
        _refuse_inherited(target, name, before)
    doubtful = _kept(typed.count_doubtful, old)
    base_s, base_from = None, None
    of_filter = None
    if typed.form is GoalForm.GAIN and typed.value:
        wanted = Goal(target, name, GoalForm.GAIN, 1.0, count_doubtful=doubtful)
        base_s, base_from = _base(connection, settings, wanted)
    if typed.form is GoalForm.RATIO:
        of_filter = known_filter(connection, settings, typed.of_filter or "")
        _refuse_loop(target, name, of_filter, before)
    return Goal(
        target=target,
        filter=name,
        form=typed.form,
        value=typed.value,
        of_filter=of_filter,
        base_s=base_s,
        base_from=base_from,
        priority=typed.priority or (old.priority if old else USUAL_PRIORITY),
        count_doubtful=doubtful,
    )


def _kept(said: bool | None, old: Goal | None) -> bool | None:
    return said if said is not None or old is None else old.count_doubtful


def _check_target(target: str, typed: Wish, known: set[str]) -> None:
    if target == NO_TARGET:
        raise UsageError(f"{typed.target!r} is no target's name; nothing was changed")
    if target in known or typed.new or not typed.value:
        return
    raise UsageError(
        f"No frame of {target} was ever seen; nothing was changed",
        cure="runlog targets lists the targets there are. To plan a new one, add --new",
    )


def _refuse_inherited(target: str, name: str, before: dict[Key, Goal]) -> None:
    base, panel = split_panel(target)
    if panel is not None and (base, name) in before:
        raise UsageError(
            "This panel's goal is its mosaic's; nothing was changed",
            cure="To take it away for all panels: "
            f"runlog goal {for_shell(base)} {for_shell(name)} 0",
        )


def known_filter(connection: Connection, settings: Settings, typed: str) -> str:
    """Fold a filter's name; one that is neither known nor ever used is refused."""
    used = total_store.filters_seen(connection)

    def find(text: str) -> str | None:
        folded = fold_filter(text, settings.rules.filter_names)
        return folded if folded in used else None

    name = meant(typed, find) or fold_filter(typed, settings.rules.filter_names)
    if name is None and typed.strip():
        name = NO_FILTER
    configured = {*settings.rules.filter_names.values(), *settings.bands, settings.colour_filter}
    lines = {band for bands in settings.bands.values() for band in bands}
    known = used | configured | lines | KNOWN_FILTERS
    if name in known or (name is not None and name.rsplit(" ", 1)[0] in KNOWN_FILTERS):
        return name
    raise UsageError(
        f"No filter is called {typed!r}; nothing was changed",
        cure=f"Used so far: {', '.join(sorted(used)) or 'none'}. "
        "Other names of your filters belong under [filters] in the config file",
    )


def _base(connection: Connection, settings: Settings, goal: Goal) -> tuple[float, str]:
    """Give the time today's signal to noise comes from, a mosaic's that of its worst panel."""
    key = (goal.target, goal.filter)
    found = set_against(
        total_store.totals(connection, Selection(target=goal.target)),
        {key: goal},
        counting(settings),
    )
    begun = [t for t in found if t.filter == goal.filter and t.counted_s]
    if not begun:
        raise UsageError(
            f"Nothing of {goal.target} through {goal.filter} is kept yet, so there is nothing to "
            "gain over; nothing was changed",
            cure="Set hours first",
        )
    return base_of_gain(min(begun, key=lambda t: t.counted_s))


def _refuse_loop(target: str, name: str, of_filter: str, before: dict[Key, Goal]) -> None:
    seen, at = {name}, of_filter
    while at not in seen:
        seen.add(at)
        goal = before.get((target, at))
        if goal is None or goal.form is not GoalForm.RATIO or goal.of_filter is None:
            return
        at = goal.of_filter
    raise UsageError(
        f"{name} would be measured by itself, through {of_filter}; nothing was changed",
        cure=f"Set hours for {of_filter} first",
    )


def goal_words(goal: Goal) -> str:
    """Say a goal in words."""
    if not goal.value:
        return "no goal any more"
    if goal.form is GoalForm.HOURS:
        words = f"{hours(goal.value * SECONDS_PER_HOUR)} wanted"
    elif goal.form is GoalForm.RATIO:
        words = f"{goal.value:g} times {goal.of_filter} wanted"
    else:
        words = _gain_words(goal)
    return words if goal.priority == USUAL_PRIORITY else f"{words}, priority {goal.priority}"


def _gain_words(goal: Goal) -> str:
    """Say a gain as today's hours and the hours it takes, and which hours those are."""
    have_s = goal.base_s or 0.0
    kind = "of effective time (the depth reached)" if goal.base_from == "effective" else "kept"
    return (
        f"{goal.value:g} times today's signal to noise wanted: {goal.value**2:.3g} times today's "
        f"{hours(have_s)} {kind}"
    )
