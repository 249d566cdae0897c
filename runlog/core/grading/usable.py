"""Which frames may speak of their night to others: by their own run, physics and marks alone."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from runlog.core.frame import Frame, Grade
from runlog.core.grading.grade import checks_of, verdict_of
from runlog.core.grading.physics import passes_physics
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual


def usable(
    frames: Sequence[Frame],
    policy: Policy,
    marks: Mapping[str, Grade],
    usual: RunUsual | None = None,
    kept: Collection[str] = (),
) -> frozenset[str]:
    """Name the usable frames of a run's measured ones, by key; nothing of other nights is in it.

    A person's mark outranks what is found in the run, but makes nothing possible that is not.
    `usual` is what is usual among just these frames, where that was found already; `kept` names
    frames that were kept when no other night was looked at but for the best frame of their name,
    which only ever finds fault.
    """
    usual, passed = usual or RunUsual(frames), {k for k, g in marks.items() if g is Grade.KEEP}
    passed.update(key for key in kept if key not in marks)
    return frozenset(
        frame.key
        for frame in frames
        if passes_physics(frame, policy.for_filter(frame.context.filter))
        and (frame.key in passed or (frame.key not in marks and _is_kept(frame, policy, usual)))
    )


def _is_kept(frame: Frame, policy: Policy, usual: RunUsual) -> bool:
    this = usual.beside(_by_itself(frame), policy, {})
    return verdict_of(this, checks_of(this)).grade is Grade.KEEP


def _by_itself(frame: Frame) -> Frame:
    """Leave out the best frame of its name, which may be of another night."""
    return replace(frame, placement=replace(frame.placement, best_sky_adu_s=None))
