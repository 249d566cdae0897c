"""Goals: what is wanted of a target and filter, and how far along it is.

A goal is hours, a ratio of another filter's hours, or a gain in signal to noise over what there was
when it was set. Stack signal to noise grows as the square root of effective time (Howell, Handbook
of CCD Astronomy, 4.4, from memory): a gain g needs g squared times the time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import sqrt

from runlog.core.ledger.totals import SECONDS_PER_HOUR, Total
from runlog.core.targets.sequence_words import split_panel

USUAL_PRIORITY = 5
PLAIN_PANEL = "plain"  # frames of a mosaic whose name tells no panel
Key = tuple[str, str]  # target, filter


class GoalForm(StrEnum):
    """How a goal is put."""

    HOURS = "hours"
    RATIO = "ratio"
    GAIN = "gain"


@dataclass(frozen=True, slots=True)
class Goal:
    """What a person wants; value is hours, a ratio, or a gain in signal to noise above 1."""

    target: str
    filter: str
    form: GoalForm
    value: float
    of_filter: str | None = None
    base_s: float | None = None
    base_from: str | None = None  # "effective" or "kept"
    priority: int = USUAL_PRIORITY
    count_doubtful: bool | None = None  # None: as the config says


@dataclass(frozen=True, slots=True)
class Counting:
    """How a person wants time counted: doubtful hours, and filters that pass several bands."""

    doubtful: bool = False
    bands: Mapping[str, tuple[str, ...]] | None = None  # dual-band filter -> bands it passes


def set_against(
    totals: Sequence[Total], goals: Mapping[Key, Goal], counting: Counting
) -> list[Total]:
    """Set totals against goals, adding a row for each goal nothing was shot for.

    A dual-band filter's time counts for the goals of its bands (`credited_s`) and stays in its own
    row once. A mosaic's goal holds for each of its panels.
    """
    rows = {(t.target, t.filter): t for t in totals}
    spread = _spread(goals, rows)
    for key in spread:
        rows.setdefault(key, Total(*key))
    rows = {key: _credited(total, rows, counting) for key, total in rows.items()}
    done = [_against(total, rows, spread, counting) for total in rows.values()]
    return sorted(done, key=lambda t: (t.target, t.filter))


def set_part_against(
    part: Sequence[Total], whole: Sequence[Total], counting: Counting, *, every_goal: bool = False
) -> list[Total]:
    """Set the totals of a season, a night or a rig beside the goals, which are about all time.

    `whole` are the totals over all of it, set against the goals; of goals for which nothing in the
    part counts there is no row, unless there is to be one of `every_goal`.
    """
    rows = {(t.target, t.filter): t for t in part}
    found = [_part_of(w, rows, counting) for w in whole]
    return [
        t
        for t in found
        if t.frames or t.credited_s or t.credited_doubtful_s or (every_goal and t.goal_form)
    ]


def _part_of(whole: Total, rows: Mapping[Key, Total], counting: Counting) -> Total:
    key = (whole.target, whole.filter)
    return replace(
        _credited(rows.get(key, Total(*key)), rows, counting),
        goal_s=whole.goal_s,
        goal_form=whole.goal_form,
        priority=whole.priority,
        doubtful_counts=whole.doubtful_counts,
        whole=whole,
    )


def _spread(goals: Mapping[Key, Goal], rows: Mapping[Key, Total]) -> dict[Key, Goal]:
    """Give each panel of a mosaic the mosaic's goal, unless it has one of its own."""
    panels: dict[str, list[str]] = {}
    for target in sorted({target for target, _ in rows}):
        base, panel = split_panel(target)
        if panel is not None:
            panels.setdefault(base, []).append(target)
    whole = {target for target, _ in rows}
    spread: dict[Key, Goal] = {}
    for (target, name), goal in goals.items():
        for panel_target in panels.get(target, ()):
            spread.setdefault((panel_target, name), goal)
        if target not in panels or target in whole:
            spread[(target, name)] = goal
    return spread | {key: goal for key, goal in goals.items() if split_panel(key[0])[1]}


def _credited(total: Total, rows: Mapping[Key, Total], counting: Counting) -> Total:
    lent = [
        rows[(total.target, other)]
        for other, bands in (counting.bands or {}).items()
        if total.filter in bands and other != total.filter and (total.target, other) in rows
    ]
    return replace(
        total,
        credited_s=sum(t.kept_s for t in lent),
        credited_doubtful_s=sum(t.doubtful_s for t in lent),
    )


def _against(
    total: Total, rows: Mapping[Key, Total], goals: Mapping[Key, Goal], counting: Counting
) -> Total:
    goal = goals.get((total.target, total.filter))
    if goal is None:
        return total
    wanted_s = wanted(goal, total, rows, goals, counting)
    doubtful = counting.doubtful if goal.count_doubtful is None else goal.count_doubtful
    return replace(
        total,
        goal_s=wanted_s,
        goal_form=goal.form.value,
        priority=goal.priority,
        doubtful_counts=doubtful,
    )


def wanted(
    goal: Goal,
    total: Total,
    rows: Mapping[Key, Total],
    goals: Mapping[Key, Goal],
    counting: Counting,
    _depth: int = 0,
) -> float | None:
    """Give the seconds of kept time that fulfil a goal; None when nothing tells it yet."""
    if goal.form is GoalForm.HOURS:
        return goal.value * SECONDS_PER_HOUR
    if goal.form is GoalForm.GAIN:
        return _for_gain(goal, total)
    other_key = (total.target, goal.of_filter or "")
    other = rows.get(other_key)
    other_goal = goals.get(other_key)
    if other_goal is not None and other is not None and _depth < 10:
        base = wanted(other_goal, other, rows, goals, counting, _depth + 1)
    else:
        base = other.kept_s if other is not None else None
    return None if base is None else goal.value * base


def base_of_gain(total: Total) -> tuple[float, str]:
    """Give the time a gain is over, in seconds, and what kind it is.

    All that counts towards the goal is there today: time lent by filters of several bands and
    doubtful time, where that counts, are taken to be as deep as what is kept, and so is what is
    kept of unknown depth.
    """
    if total.effective_s and total.known_s:
        return total.effective_s * total.counted_s / total.known_s, "effective"
    return total.counted_s, "kept"


def _for_gain(goal: Goal, total: Total) -> float | None:
    """Kept seconds that hold the gain wanted, at the depth reached so far."""
    if goal.base_s is None:
        return None
    needed_s = goal.base_s * goal.value**2
    if goal.base_from == "effective" and total.effective_s and total.known_s:
        return needed_s * total.known_s / total.effective_s
    return needed_s


def gain_of_next_hour(total: Total) -> float | None:
    """Say what share of signal to noise one more kept hour adds; None before the first.

    With E effective seconds from K kept, an hour adds 3600 E / K: sqrt(1 + 3600 / K) - 1. The
    picture is made of all nights, so K is that of all of them.
    """
    kept_s = total.over_all.kept_s
    return None if kept_s <= 0 else sqrt(1.0 + SECONDS_PER_HOUR / kept_s) - 1.0


@dataclass(frozen=True, slots=True)
class Mosaic:
    """How far a mosaic is through one filter: as far as its worst panel."""

    target: str
    filter: str
    panels: int
    worst_panel: str
    kept_s: float  # of the worst panel
    goal_s: float | None
    to_go_s: float | None  # of the worst panel
    progress: float | None


def mosaics(totals: Sequence[Total]) -> list[Mosaic]:
    """Sum up mosaics from the rows of their panels; a panel never shot through a filter counts."""
    panels: dict[str, set[str]] = {}
    filters: dict[str, set[str]] = {}
    rows = {(t.target, t.filter): t for t in totals}
    bases = {split_panel(t.target)[0] for t in totals if split_panel(t.target)[1] is not None}
    for t in totals:
        base = split_panel(t.target)[0]
        if base in bases:  # frames under the mosaic's plain name are a panel as well
            panels.setdefault(base, set()).add(t.target)
            filters.setdefault(base, set()).add(t.filter)
    return [
        _mosaic(base, name, [rows.get((p, name)) or Total(p, name) for p in sorted(panels[base])])
        for base in sorted(panels)
        for name in sorted(filters[base])
    ]


def _mosaic(base: str, name: str, panels: Sequence[Total]) -> Mosaic:
    goal_s = next((p.goal_s for p in panels if p.goal_s is not None), None)
    worst = min(panels, key=lambda p: (p.kept_s if p.progress is None else p.progress, p.target))
    return Mosaic(
        target=base,
        filter=name,
        panels=len(panels),
        worst_panel=split_panel(worst.target)[1] or PLAIN_PANEL,
        kept_s=worst.kept_s,
        goal_s=goal_s,
        to_go_s=goal_s if worst.goal_s is None else worst.to_go_s,
        progress=worst.progress if worst.goal_s is not None else (0.0 if goal_s else None),
    )
