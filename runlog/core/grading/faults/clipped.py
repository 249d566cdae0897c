"""Clipped: far more saturated stars than usual for the exposure; noted, it rejects nothing."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.policy import Setting

RATIO: Setting[float] = Setting(
    "clipped_ratio",
    3.0,
    "Saturated stars against the run's usual: so many times as many are worth a note ...",
)
LEAST: Setting[float] = Setting(
    "clipped_least", 20, "... where there are so many of them at least."
)


def _clipped(this: ComparedFrame) -> Iterator[Check]:
    count, usual = this.frame.measurement.clipped_stars, this.count.clipped_stars
    if count is None or usual is None:
        return
    many = count >= max(this.policy[LEAST], this.policy[RATIO] * usual)
    text = f"{count} star{'s' * (count != 1)} saturated, this run's usual {usual:.0f}"
    yield CLIPPED.noted("saturated stars", float(count), text, RATIO, when=many)


CLIPPED = FaultKind(FaultName.CLIPPED, rules=(Rule(_clipped, Turn.REST),), settings=(RATIO, LEAST))
