"""Defocused: wider stars whose profile changed. Focus, where seeing would only scale it."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.against_nights import against_width, flatter_than_before
from runlog.core.grading.baseline import profile
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.policy import Limit, Setting
from runlog.core.grading.width import against_run

RATIO = Setting(
    "defocused_ratio",
    Limit(1.13, 1.5),
    "Focus: a fifth wider costs a third of the depth on faint stars.",
)
HISTORY = Setting(
    "defocused_history_ratio",
    Limit(1.3, 2.0),
    "Against the rig's other nights, where the profile is flatter than it was on them: a night out "
    "of focus throughout must not pass as usual, nor as poor seeing, which keeps the profile.",
)
PROFILE_CHANGE = Setting(
    "profile_change",
    0.045,
    "The profile must have lost this share of its wings for it to be focus and not seeing.",
)


def profile_changed(this: ComparedFrame) -> str | None:
    """Say how the profile differs from this run's, beyond its scale; None when it does not."""
    change = ratio(profile(this.frame), this.shape.profile)
    if change is None:
        hollow = this.frame.measurement.width_from == "moments"
        return "the stars are discs or rings, no longer points" if hollow else None
    if change > 1 - this.policy[PROFILE_CHANGE]:
        return None
    return f"a flatter profile (half-flux radius over FWHM {change - 1:+.0%})"


def _against_run(this: ComparedFrame) -> Iterator[Check]:
    changed = profile_changed(this)
    if changed:
        yield from against_run(this, DEFOCUSED, RATIO, changed)


def _against_nights(this: ComparedFrame) -> Iterator[Check]:
    changed = flatter_than_before(this, this.policy[PROFILE_CHANGE])
    if changed:
        yield from against_width(this, DEFOCUSED, HISTORY, f"; {changed}")


DEFOCUSED = FaultKind(
    FaultName.DEFOCUSED,
    rules=(Rule(_against_run), Rule(_against_nights, Turn.NIGHTS, alone=True)),
    settings=(RATIO, HISTORY, PROFILE_CHANGE),
)
