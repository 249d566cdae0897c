"""Measurements against what is usual for the run and the rig: a grade with its reasons."""

from collections.abc import Sequence

from runlog.core.frame import FaultName, Frame, Grade, Verdict
from runlog.core.grading.baseline import ENOUGH
from runlog.core.grading.causes import counted
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check
from runlog.core.grading.faults import rules
from runlog.core.grading.faults.few_stars import LEAST, NO_STARS_FROM, is_wide
from runlog.core.grading.faults.trailed import shows_lines
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.grading.summary import group_of

SEVERITY = {Grade.KEEP: 0, Grade.UNGRADED: 1, Grade.DOUBTFUL: 2, Grade.REJECT: 3}


def grade_run(
    frames: Sequence[Frame],
    policy: Policy,
    history: History | None = None,
    usual: RunUsual | None = None,
) -> dict[str, Verdict]:
    """Grade the light frames of one run; the order they come in does not matter.

    `usual` is what is usual among just these frames, where that was found already.
    """
    return {
        key: verdict_of(this, checks) if this else unmeasured(frame)
        for key, (frame, this, checks) in explain_run(frames, policy, history, usual).items()
    }


def explain_run(
    frames: Sequence[Frame],
    policy: Policy,
    history: History | None = None,
    usual: RunUsual | None = None,
) -> dict[str, tuple[Frame, ComparedFrame | None, list[Check]]]:
    """Look at every frame against every limit; one not measured has no comparison."""
    compared = (usual or RunUsual(frames)).compared(policy, history or {})
    explained: dict[str, tuple[Frame, ComparedFrame | None, list[Check]]] = {
        f.key: (f, None, []) for f in frames if not f.measurement.measured
    }
    for this in compared:
        explained[this.frame.key] = (this.frame, this, checks_of(this))
    return explained


def unmeasured(frame: Frame) -> Verdict:
    """Say why a frame was not measured."""
    return Verdict(Grade.UNGRADED, note="; ".join(frame.measurement.notes) or "not measured")


def checks_of(this: ComparedFrame) -> list[Check]:
    """Ask all rules that can be asked of a frame."""
    alone = too_few(this) or shows_lines(this)
    return [check for rule in rules(alone=alone) for check in rule.ask(this)]


def too_few(this: ComparedFrame) -> bool:
    """Tell whether a frame has nothing to be compared with."""
    return this.shape.frames < ENOUGH and this.earlier is None


def alone_in(frames: Sequence[Frame], history: History) -> set[str]:
    """List the measured frames of a run, by key, that have nothing to be compared with."""
    if sum(f.measurement.measured and f.measurement.fwhm_px is not None for f in frames) >= ENOUGH:
        return set()
    return {f.key for f in frames if f.measurement.measured and group_of(f) not in history}


def verdict_of(this: ComparedFrame, checks: Sequence[Check]) -> Verdict:
    """Sum checks up in one grade; a fault that explains others stands alone."""
    if this.frame.header.exposure_s is None:
        return Verdict(Grade.UNGRADED, note="the header gives no exposure time")
    faults = _first_per_name(counted(checks))
    alone, lines = too_few(this), shows_lines(this)
    least = Grade.UNGRADED if alone or lines else Grade.KEEP
    grade = max((least, *(c.grade for c in faults)), key=SEVERITY.__getitem__)
    note = LINES if lines else _alone(this) if alone else elsewhere(this, faults)
    return Verdict(grade, tuple(c.as_fault() for c in faults), note, alone)


def _first_per_name(checks: Sequence[Check]) -> list[Check]:
    """Keep the worst check of each fault, causes in order, the worst grade first."""
    best: dict[FaultName, Check] = {}
    for check in checks:
        have = best.get(check.fault)
        if have is None or SEVERITY[check.grade] > SEVERITY[have.grade]:
            best[check.fault] = check
    return sorted(best.values(), key=lambda c: -SEVERITY[c.grade])


def elsewhere(this: ComparedFrame, faults: Sequence[Check]) -> str | None:
    """Say that a frame's light is not compared with that of its name, where no fault says so."""
    place, target = this.frame.placement, this.frame.context.target
    if any(c.fault is FaultName.OFF_TARGET for c in faults):
        return None
    if place.matched is False:
        return "its stars match no other frame of its name: its light could not be compared"
    if place.matched is None or place.matched_to == place.best_of_name:
        return None
    own = "of this run" if place.field_runs == 1 else "of this field"
    return (
        f"another field than the one most taken as {target or 'nameless'}: its light is "
        f"compared with frames {own} alone"
    )


LINES = (
    "all that was found is lines more than three times as long as wide: a trail, or lines that are "
    "no stars, unknown which"
)


def _alone(this: ComparedFrame) -> str:
    stars = this.frame.measurement.stars or 0
    if is_wide(this.frame) and stars < this.policy[LEAST]:
        only = f"only {stars} star{'s were' if stars > 1 else ' was'}" if stars else "no stars were"
        return f"{only} found ({NO_STARS_FROM}, unknown which): nothing to compare with"
    if not stars:
        return "no stars were found: nothing to compare"
    if this.frame.measurement.fwhm_px is None:
        return "its stars gave no width: nothing to compare"
    others = "only one other frame" if this.shape.frames > 1 else "no other frame"
    return f"{others} of this run and no earlier night is like it: nothing to compare with"
