"""A goal as a person types it in one line: `20 h`, `0.5 of L`, `gain 1.4`, `priority 2`."""

import re
from dataclasses import dataclass

from runlog.core.columns import hours
from runlog.core.ledger.goals import USUAL_PRIORITY, Goal, GoalForm
from runlog.core.ledger.totals import SECONDS_PER_HOUR

_NUMBER = r"([-+]?\d+(?:[.,]\d+)?)"
_PRIORITY = re.compile(r"\bpriority\s+(\d+)", re.IGNORECASE)
_DOUBTFUL = re.compile(r"\b(no\s+)?doubtful\b", re.IGNORECASE)
_RATIO = re.compile(rf"{_NUMBER}\s*(?:x|times)?\s*of\s+(.+)", re.IGNORECASE)
_GAIN = re.compile(rf"gain\s+(?:of\s+)?{_NUMBER}", re.IGNORECASE)
_HOURS = re.compile(rf"{_NUMBER}(?:\s*h(?:ours?)?)?", re.IGNORECASE)
_HOURS_MINUTES = re.compile(r"(\d+)\s*h(?:ours?)?\s*(\d+)\s*m(?:in)?", re.IGNORECASE)
_MINUTES = re.compile(rf"{_NUMBER}\s*min", re.IGNORECASE)
WAYS = "20 h · 0.5 of L · gain 1.4 · priority 2 · doubtful · 0: none"


@dataclass(frozen=True, slots=True)
class TypedGoal:
    """What was typed; what was not said stays as it is."""

    form: GoalForm | None = None
    value: float = 0.0  # hours, a ratio, or a gain in signal to noise
    of_filter: str | None = None
    priority: int | None = None
    count_doubtful: bool | None = None


def read_goal(text: str) -> TypedGoal | None:
    """Read a goal; None when it is not understood."""
    priority, doubtful = _PRIORITY.search(text), _DOUBTFUL.search(text)
    rest = _DOUBTFUL.sub("", _PRIORITY.sub("", text)).strip(" ,;\t")
    found = _amount(rest) if rest else TypedGoal()
    if found is None or not (rest or priority or doubtful):
        return None
    return TypedGoal(
        found.form,
        found.value,
        found.of_filter,
        int(priority[1]) if priority else None,
        not doubtful[1] if doubtful else None,
    )


def _amount(text: str) -> TypedGoal | None:
    if match := _RATIO.fullmatch(text):
        return TypedGoal(GoalForm.RATIO, _number(match[1]), match[2].strip())
    if match := _GAIN.fullmatch(text):
        return TypedGoal(GoalForm.GAIN, _number(match[1]))
    if match := _HOURS_MINUTES.fullmatch(text):
        return TypedGoal(GoalForm.HOURS, int(match[1]) + int(match[2]) / 60)
    if match := _MINUTES.fullmatch(text):
        return TypedGoal(GoalForm.HOURS, _number(match[1]) / 60)
    if match := _HOURS.fullmatch(text):
        return TypedGoal(GoalForm.HOURS, _number(match[1]))
    return None


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def as_typed(goal: Goal) -> str:
    """Write a goal the way it is typed."""
    amount = {
        GoalForm.HOURS: hours(goal.value * SECONDS_PER_HOUR),
        GoalForm.RATIO: f"{goal.value:g} of {goal.of_filter}",
        GoalForm.GAIN: f"gain {goal.value:g}",
    }[goal.form]
    priority = f", priority {goal.priority}" if goal.priority != USUAL_PRIORITY else ""
    doubtful = {None: "", True: ", doubtful", False: ", no doubtful"}[goal.count_doubtful]
    return amount + priority + doubtful
