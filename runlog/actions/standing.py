"""Where every target stands, as one list: each mosaic as a group, its panels below it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import fsum

from sqlalchemy import Engine

from runlog.actions.goals import PRIORITIES, Wish, goal_words, wish
from runlog.actions.totals import totals_whole_and_part
from runlog.config import Settings
from runlog.core.ledger.goal_words import WAYS, TypedGoal, read_goal
from runlog.core.ledger.goals import PLAIN_PANEL, Goal, GoalForm, Key, Mosaic, mosaics
from runlog.core.ledger.totals import Total, summed
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store.engine import reading, writing


@dataclass(frozen=True, slots=True)
class Standing:
    """A target and filter: one that stands alone, a whole mosaic, or one of its panels."""

    target: str  # what a goal set here is for
    total: Total  # a mosaic's is that of its worst panel
    goal: Goal | None = None  # in force here
    inherited: bool = False  # the goal is that of the panel's mosaic
    mosaic: Mosaic | None = None
    panel: str | None = None
    panels: tuple[str, ...] = ()  # its name means these as well, which are rows of their own
    lenders: tuple[str, ...] = ()  # filters of several bands whose hours count here as well
    summed: "tuple[Standing, ...]" = ()  # this is the sum of these: a target's over its filters

    @property
    def goal_s(self) -> float | None:
        """Seconds wanted; None without a goal, or while nothing tells what it comes to."""
        return self.mosaic.goal_s if self.mosaic else self.total.goal_s

    @property
    def to_go_s(self) -> float | None:
        """Seconds to go; of a mosaic those of its worst panel, of a sum those of all its goals.

        A goal that comes to no hours yet leaves the sum unknown.
        """
        if self.summed:
            left = [row.to_go_s for row in self.summed if row.goal is not None]
            return fsum(s for s in left if s is not None) if left and None not in left else None
        return self.mosaic.to_go_s if self.mosaic else self.total.to_go_s


def standings(
    engine: Engine, settings: Settings, chosen: Selection = EVERYTHING, owner: str | None = None
) -> list[Standing]:
    """List the totals of some rigs, or of all, with their goals, as `runlog totals` counts them.

    A mosaic stands as it does over all time, as its goal does. The goals are everybody's, or all of
    a login's own (`owner`), those included for which these rigs have nothing yet.
    """
    own_too = owner is not None
    whole, totals = totals_whole_and_part(engine, settings, chosen, owner, every_goal=own_too)
    with reading(engine) as connection:
        goals = goal_store.goals(connection, owner)
    shown = {(split_panel(t.target)[0], t.filter) for t in totals}
    groups = {key: m for m in mosaics(whole) if (key := (m.target, m.filter)) in shown}
    bases = {base for base, _ in groups}
    alone = [t for t in totals if split_panel(t.target)[0] not in bases]
    found = [[_standing(t, goals, settings, totals)] for t in alone]
    found += [list(_group(m, whole, totals, goals, settings)) for m in groups.values()]
    return [s for group in sorted(found, key=_place) for s in group]


ALL_FILTERS = "all"


def with_sums(rows: Sequence[Standing]) -> list[Standing]:
    """Put the sum over its filters below each target that was taken through several."""
    groups: dict[str, list[Standing]] = {}
    for row in rows:
        groups.setdefault(split_panel(row.target)[0], []).append(row)
    found: list[Standing] = []
    for target, own in groups.items():
        single = tuple(row for row in own if row.mosaic is None)
        found += own
        if len({row.total.filter for row in single if row.total.frames}) > 1:
            total = summed(target, ALL_FILTERS, [row.total for row in single])
            found.append(Standing(target, total, summed=single))
    return found


def _place(group: Sequence[Standing]) -> Key:
    return group[0].target, group[0].total.filter


def _standing(
    total: Total, goals: Mapping[Key, Goal], settings: Settings, totals: Sequence[Total]
) -> Standing:
    own = goals.get((total.target, total.filter))
    goal = own or goals.get((split_panel(total.target)[0], total.filter))
    taken = {t.filter for t in totals if t.target == total.target and t.frames}
    lenders = tuple(
        name
        for name, bands in settings.bands.items()
        if total.filter in bands and name != total.filter and name in taken
    )
    panels = {t.target for t in totals if split_panel(t.target) != (t.target, None)}
    return Standing(
        total.target,
        total,
        goal,
        goal is not None and own is None,
        panels=tuple(sorted(p for p in panels if split_panel(p)[0] == total.target)),
        lenders=lenders,
    )


def _group(
    mosaic: Mosaic,
    whole: Sequence[Total],
    totals: Sequence[Total],
    goals: Mapping[Key, Goal],
    settings: Settings,
) -> Iterator[Standing]:
    """Give the mosaic, then its panels; one never shot through the filter is a panel as well."""
    names = sorted({t.target for t in whole if split_panel(t.target)[0] == mosaic.target})
    rows, every = ({(t.target, t.filter): t for t in of} for of in (totals, whole))
    panels = [
        replace(
            _standing(
                rows.get((name, mosaic.filter))
                or Total(name, mosaic.filter, whole=every.get((name, mosaic.filter))),
                goals, settings, totals,
            ),
            panel=split_panel(name)[1] or PLAIN_PANEL,
        )
        for name in names
    ]  # fmt: skip
    worst = next(p for p in panels if p.panel == mosaic.worst_panel)
    goal = goals.get((mosaic.target, mosaic.filter))
    yield replace(
        worst, target=mosaic.target, goal=goal, inherited=False, mosaic=mosaic, panel=None
    )
    yield from panels


@dataclass(frozen=True, slots=True)
class GoalStep:
    """A goal that was set: what held before, what holds now, and in words."""

    target: str
    filter: str
    before: Goal | None
    after: Goal | None
    words: str
    done: bool = True  # else another person set it since, and it was left alone
    owner: str | None = None  # the login whose own it is; None: everybody's


def change_goal(
    engine: Engine, settings: Settings, at: Standing, typed: str, who: str, owner: str | None = None
) -> GoalStep:
    """Set a goal as typed, everybody's or a login's own; returns a step that can be taken back."""
    before = _goal_at(engine, at.target, at.total.filter, owner)
    words = set_typed_goal(engine, settings, at, typed, who, owner)
    after = _goal_at(engine, at.target, at.total.filter, owner)
    return GoalStep(at.target, at.total.filter, before, after, words + _whose(owner), owner=owner)


def put_goal_back(engine: Engine, step: GoalStep, who: str) -> GoalStep:
    """Undo a step unless another set this goal since; the step it returns undoes the undoing."""
    with writing(engine) as connection:
        now = goal_store.goals(connection, step.owner).get((step.target, step.filter))
        goal = step.before or Goal(step.target, step.filter, GoalForm.HOURS, 0.0)
        done = now == step.after
        if done:
            goal_store.append_goal(connection, goal, who, datetime.now(UTC), step.owner)
    words = goal_words(goal) if done else "set anew since, so it was left alone"
    whole = f"{step.target} {step.filter}: {words}{_whose(step.owner)}"
    return GoalStep(step.target, step.filter, step.after, step.before, whole, done, step.owner)


def _whose(owner: str | None) -> str:
    return "" if owner is None else " (your own)"


def _goal_at(engine: Engine, target: str, filter_name: str, owner: str | None) -> Goal | None:
    with reading(engine) as connection:
        return goal_store.goals(connection, owner).get((target, filter_name))


def set_typed_goal(
    engine: Engine, settings: Settings, at: Standing, typed: str, who: str, owner: str | None = None
) -> str:
    """Set a goal as typed; returns what holds now, in words."""
    wanted = read_goal(typed)
    if wanted is None:
        raise UsageError(f"{typed!r} is no goal; nothing was changed", cure=f"Type {WAYS}")
    goal = _changed(engine, at, wanted, who, owner)
    if goal is None:
        goal = wish(engine, settings, _wish(at, wanted), who, owner)
    return f"{goal.target} {goal.filter}: {goal_words(goal)}"


def _changed(
    engine: Engine, at: Standing, wanted: TypedGoal, who: str, owner: str | None
) -> Goal | None:
    """Change how a goal is taken and leave what is wanted: a gain keeps what it is over."""
    old = at.goal
    if old is None or (wanted.form and _amount(wanted) != (old.form, old.value, old.of_filter)):
        return None
    if wanted.priority is not None and wanted.priority not in PRIORITIES:
        raise UsageError(
            f"There is no priority {wanted.priority}", cure="1 is first, 9 is last, 5 is usual"
        )
    said = wanted.count_doubtful
    goal = replace(
        old,
        target=at.target,
        priority=wanted.priority or old.priority,
        count_doubtful=old.count_doubtful if said is None else said,
    )
    with writing(engine) as connection:
        goal_store.append_goal(connection, goal, who, datetime.now(UTC), owner)
    return goal


def _amount(wanted: TypedGoal) -> tuple[object, float, str | None]:
    return wanted.form, wanted.value, wanted.of_filter


def _wish(at: Standing, wanted: TypedGoal) -> Wish:
    if wanted.form is None:
        raise UsageError("There is no goal yet; nothing was changed", cure=f"Type {WAYS}")
    return Wish(
        at.target, at.total.filter, wanted.form, wanted.value, wanted.of_filter,
        wanted.priority, wanted.count_doubtful,
    )  # fmt: skip
