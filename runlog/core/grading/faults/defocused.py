"""Defocused: wider stars whose profile changed. Focus, where seeing would only scale it."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.against_nights import against_width, flatter_than_before
from runlog.core.grading.baseline import profile
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.physics import DISC, check_of, disc
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


# A mean picture of few stars is cut off and noisy: drawn stars of beta 3 in focus read 1 to 8 %
# flatter by it than by the model (drawn nights of two rigs).
MOMENTS_LOW = 0.08


def profile_changed(this: ComparedFrame) -> str | None:
    """Say how the profile differs from this run's, beyond its scale; None when it does not."""
    if _flatter_than_in_focus(this):
        return _flatter(this.focus.change if this.focus else 0.0)
    change = ratio(profile(this.frame), this.shape.profile)
    hollow = this.frame.measurement.width_from == "moments"
    if change is None:
        return "the stars are discs or rings, no longer points" if hollow else None
    allowed = this.policy[PROFILE_CHANGE] + (MOMENTS_LOW if hollow else 0.0)
    if change > 1 - allowed:
        return None
    return _flatter(change - 1)


def _flatter(change: float) -> str:
    return f"a flatter profile (half-flux radius over FWHM {change:+.0%})"


def _flatter_than_in_focus(this: ComparedFrame) -> bool:
    return this.focus is not None and this.focus.change <= -this.policy[PROFILE_CHANGE]


def _against_run(this: ComparedFrame) -> Iterator[Check]:
    changed = profile_changed(this)
    if changed:
        yield from against_run(this, DEFOCUSED, RATIO, changed)


def _against_course(this: ComparedFrame) -> Iterator[Check]:
    """Compare with the run in focus: a drift is in each filter's usual as well."""
    focus, width = this.focus, this.frame.measurement.fwhm_px
    if focus is None or width is None or not _flatter_than_in_focus(this):
        return
    where = (
        f" (filters' own widths taken out, {focus.usual_px:.1f} px in " if focus.several else " ("
    )
    where += f"{this.frame.context.filter})" if focus.several else f"{focus.usual_px:.1f} px)"
    text = f"FWHM {width:.1f} px, {width / focus.usual_px:.1f} times this run in focus{where}"
    text += f"; {_flatter(focus.change)}, by its neighbours too"
    yield DEFOCUSED.against(this, RATIO, focus.times, "FWHM against this run in focus", text)


def _against_nights(this: ComparedFrame) -> Iterator[Check]:
    changed = flatter_than_before(this, this.policy[PROFILE_CHANGE])
    if changed:
        yield from against_width(this, DEFOCUSED, HISTORY, f"; {changed}")


def _whatever_is_usual(this: ComparedFrame) -> Iterator[Check]:
    """Look at the profile by itself: a night out of focus throughout passes its own median."""
    found = disc(this.frame, this.policy)
    if found is not None:
        yield check_of(found, DEFOCUSED, this)


DEFOCUSED = FaultKind(
    FaultName.DEFOCUSED,
    rules=(
        Rule(_against_run),
        Rule(_against_course),
        Rule(_against_nights, Turn.NIGHTS, alone=True),
        Rule(_whatever_is_usual, Turn.NIGHTS, alone=True),
    ),
    settings=(RATIO, HISTORY, PROFILE_CHANGE, DISC),
)
