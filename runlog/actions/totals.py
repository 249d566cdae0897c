"""Totals per target and filter against goals: over all time or a part, by night, to publish."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.config import Settings
from runlog.core.columns import hours
from runlog.core.header.filters import NO_FILTER
from runlog.core.ledger.effective_words import effective_note
from runlog.core.ledger.goals import (
    PLAIN_PANEL,
    Counting,
    Goal,
    GoalForm,
    Key,
    gain_of_next_hour,
    mosaics,
    set_against,
    set_part_against,
)
from runlog.core.ledger.publish import Batch
from runlog.core.ledger.totals import Total
from runlog.core.ledger.worth import References
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.targets.names import NO_TARGET
from runlog.core.targets.sequence_words import split_panel
from runlog.store import goals as goal_store
from runlog.store import totals as total_store
from runlog.store.depth import references
from runlog.store.engine import reading
from runlog.store.run_says import references_of_run

TOTAL_KEYS = (
    "target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s goal_s "
    "to_go_s frames_to_go nights share_kept gain_next_hour credited_s goal_form priority done "
    "mosaic panel effective_note"
).split()
GROWTH_KEYS = (
    "night target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s "
    "kept_so_far_s effective_so_far_s effective_note"
).split()
PLAIN = Settings()


def total_rows(
    engine: Engine, settings: Settings = PLAIN, selection: Selection = EVERYTHING
) -> list[dict[str, Any]]:
    """List totals with the keys of `runlog.totals/1`; goals without frames yet included."""
    return [row_of(t) for t in totals_against_goals(engine, settings, selection)]


def totals_against_goals(
    engine: Engine,
    settings: Settings,
    selection: Selection = EVERYTHING,
    owner: str | None = None,
    *,
    with_worth: bool = True,
) -> list[Total]:
    """Load totals, set against the goals; those of all time where no part is asked for.

    The goals are everybody's, or those of a login's own (`owner`).

    Target and filter choose rows, all else the frames that are added up. Goals are about all time:
    what is to go does not hang on the part that is shown. What is kept is weighed as well unless
    `with_worth` says that nobody asks, and anyway where a goal is about depth.
    """
    _, part = totals_whole_and_part(engine, settings, selection, owner, with_worth=with_worth)
    return part


def totals_whole_and_part(
    engine: Engine,
    settings: Settings,
    selection: Selection,
    owner: str | None = None,
    *,
    with_worth: bool = True,
    every_goal: bool = False,
) -> tuple[list[Total], list[Total]]:
    """Load totals of all time and those of a part, as `totals_against_goals` has them.

    With `every_goal` the part has a row for goals as well for which nothing in it counts.
    """
    with reading(engine) as connection:
        goals = _goals_of(connection, selection.target, owner)
        deep = with_worth or _ask_depth(goals)
        # Of all targets at once: what both sums are divided by is a row a night and rig.
        against = references(connection) if deep and selection.target is None else None
        whole = Selection(target=selection.target)
        totals = total_store.totals(connection, whole, against, with_worth=deep)
        every = part = set_against(totals, goals, counting(settings))
        if not selection.is_all_time:
            asked = replace(selection, filter=None)
            own = total_store.totals(connection, asked, against, with_worth=deep)
            part = set_part_against(own, every, counting(settings), every_goal=every_goal)
    return every, [t for t in part if selection.filter in (None, t.filter)]


def _goals_of(connection: Connection, target: str | None, owner: str | None) -> dict[Key, Goal]:
    goals = goal_store.goals(connection, owner)
    return {key: goal for key, goal in goals.items() if _concerns(key[0], target)}


def _ask_depth(goals: Mapping[Key, Goal]) -> bool:
    return any(goal.form is GoalForm.GAIN for goal in goals.values())


def _concerns(target: str, asked: str | None) -> bool:
    """Tell whether a goal's target is the one asked about, its mosaic, or one of its panels."""
    return asked is None or asked in (target, *split_panel(target)) or target in split_panel(asked)


def own_goal_rows(engine: Engine, settings: Settings, owner: str | None) -> list[dict[str, Any]]:
    """List how far along a login's own goals are; a file knows no logins."""
    if owner is None:
        return []
    with reading(engine) as connection:
        if not goal_store.goals(connection, owner):
            return []
    rows = totals_against_goals(engine, settings, owner=owner)
    return [row_of(t) for t in rows if t.goal_form is not None]


def standing_words(engine: Engine, settings: Settings, goal: Goal, owner: str | None = None) -> str:
    """Say how far along a goal is, in kept hours as the totals count them; "" for no goal."""
    rows = totals_against_goals(engine, settings, Selection(target=goal.target), owner)
    own = [t for t in rows if t.filter == goal.filter and t.goal_form is not None]
    if not own:
        return ""
    worst = max(own, key=lambda t: (t.to_go_s or 0.0, t.target))
    if worst.goal_s is None or worst.to_go_s is None:
        return f"nothing is kept through {goal.of_filter} yet, so this has no hours yet"
    panel = split_panel(worst.target)[1] or PLAIN_PANEL
    whose = "" if len(own) == 1 else f" in panel {panel}, the worst"
    wanted = {
        GoalForm.HOURS: "",
        GoalForm.RATIO: f"that is {hours(worst.goal_s)}: ",
        GoalForm.GAIN: f"at the depth reached so far that is {hours(worst.goal_s)} by the clock: ",
    }[goal.form]
    if not goal.value:  # a panel's own goal is gone
        wanted = f"its mosaic's goal holds, {hours(worst.goal_s)}: "
    left = "reached" if worst.done else f"{hours(worst.to_go_s)} to go"
    return f"{wanted}{hours(worst.counted_s)} kept, {left}{whose}"


def counting(settings: Settings) -> Counting:
    """Give how the settings want time counted."""
    return Counting(settings.count_doubtful, settings.bands)


@dataclass(frozen=True, slots=True)
class AllTime:
    """How far along everything is that some runs are of, for those who ask more than once."""

    sums: Sequence[Total]  # of their targets; weighed only where a goal is about depth
    goals: Mapping[Key, Goal]
    against: References  # what those runs are divided by

    def totals(self, settings: Settings) -> list[Total]:
        """Set the sums against the goals."""
        return set_against(self.sums, self.goals, counting(settings))


def all_time(connection: Connection, run_ids: Sequence[int]) -> AllTime:
    """Load how far along all is that some runs are of."""
    alone = len(run_ids) == 1  # for one run it is quicker to look no further than its own rig
    against = references_of_run(connection, *run_ids) if alone else references(connection)
    goals = goal_store.goals(connection)
    deep, targets = _ask_depth(goals), total_store.targets_of(connection, run_ids)
    sums = total_store.totals(connection, with_worth=deep, targets=targets)
    return AllTime(sums, goals, against)


def added_totals(
    connection: Connection, run_id: int, settings: Settings, whole: AllTime
) -> tuple[Total, ...]:
    """Set what a run added against the goals; to go is that of all time."""
    sums = total_store.totals(connection, Selection(run_id=run_id), whole.against)
    added = [replace(total, nights=1) for total in sums]
    found = set_part_against(added, whole.totals(settings), counting(settings))
    return tuple(t for t in found if t.frames)


def row_of(total: Total) -> dict[str, Any]:
    """Write a total with the published keys."""
    base, panel = split_panel(total.target)
    extra = {
        "effective_note": effective_note(total.worth),
        "gain_next_hour": gain_of_next_hour(total),
        "mosaic": base if panel is not None else None,
        "panel": panel,
    }
    return {key: extra[key] if key in extra else getattr(total, key) for key in TOTAL_KEYS}


def mosaic_rows(
    engine: Engine, settings: Settings, shown: Sequence[Total], owner: str | None = None
) -> list[dict[str, Any]]:
    """List the mosaics shown, over all time: each as far along as its worst panel."""
    pictures = {base for t in shown for base, panel in [split_panel(t.target)] if panel}
    if not pictures:
        return []
    whole = totals_against_goals(engine, settings, owner=owner)
    return [asdict(mosaic) for mosaic in mosaics(whole) if mosaic.target in pictures]


TO_GO_KEYS = "target filter kept_s goal_s to_go_s frames_to_go".split()


def to_go_rows(
    totals: Sequence[Total], targets: Collection[str]
) -> tuple[list[dict[str, Any]], dict[str, list[str]]]:
    """List what is to go of some targets over all nights; and their filters without a goal.

    What has no name can have no goal.
    """
    rows = [row_of(t) for t in totals if t.target in targets]
    aimless: dict[str, list[str]] = {}
    for row in rows:
        if row["goal_form"] is None and row["target"] != NO_TARGET and row["filter"] != NO_FILTER:
            aimless.setdefault(row["target"], []).append(row["filter"])
    return [{k: row[k] for k in TO_GO_KEYS} for row in rows if row["goal_form"]], aimless


def growth_rows(engine: Engine, selection: Selection) -> list[dict[str, Any]]:
    """List what each night added, with the sum so far of its target and filter."""
    with reading(engine) as connection:
        rows = total_store.by_night(connection, selection)
    so_far: dict[Key, list[float | None]] = {}
    grown = []
    for row in rows:
        sums = so_far.setdefault((row.target, row.filter), [0.0, None])
        sums[0] = (sums[0] or 0.0) + row.kept_s
        if row.effective_s is not None:
            sums[1] = (sums[1] or 0.0) + row.effective_s
        entry = {key: getattr(row, key, None) for key in GROWTH_KEYS}
        entry |= {"night": row.night or None, "effective_note": effective_note(row.worth)}
        entry |= {"kept_so_far_s": sums[0], "effective_so_far_s": sums[1]}
        grown.append({key: entry[key] for key in GROWTH_KEYS})
    return grown


def published(engine: Engine, settings: Settings, selection: Selection) -> dict[str, list[Batch]]:
    """Gather kept frames by target for tables to publish; a mosaic's panels in one table."""
    with reading(engine) as connection:
        rows = total_store.lengths(connection, selection, settings.count_doubtful)
    merged: dict[tuple[str, str, float | None], Batch] = {}
    for row in rows:
        key = (split_panel(row.target)[0], row.filter, row.exposure_s)
        have = merged.get(key)
        nights = [n for n in (have and have.first_night, row.first_night) if n]
        last = [n for n in (have and have.last_night, row.last_night) if n]
        merged[key] = Batch(
            *key,
            frames=row.frames + (have.frames if have else 0),
            first_night=min(nights, default=None),
            last_night=max(last, default=None),
        )
    tables: dict[str, list[Batch]] = {}
    for batch in merged.values():
        tables.setdefault(batch.target, []).append(batch)
    return tables
