"""Streak: a satellite or aircraft trail; noted, stacking removes it."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn


def _streak(this: ComparedFrame) -> Iterator[Check]:
    count = len(this.frame.placement.streaks)
    text = f"{count or 'no'} satellite or aircraft trail{'s' * (count > 1)}"
    text += "; stacking removes it" if count == 1 else "; stacking removes them" if count else ""
    yield STREAK.noted("trails across the frame", float(count), text, when=count > 0)


STREAK = FaultKind(FaultName.STREAK, rules=(Rule(_streak, Turn.REST),))
