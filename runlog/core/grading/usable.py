"""Which frames may speak of their night to others: by their own run, physics and marks alone."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from runlog.core.frame import Frame, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.physics import passes_physics
from runlog.core.grading.policy import Policy


def usable(frames: Sequence[Frame], policy: Policy, marks: Mapping[str, Grade]) -> frozenset[str]:
    """Name the usable frames of a run, by key; nothing of other nights goes into it.

    A person's mark outranks what is found in the run, but makes nothing possible that is not.
    """
    alone = [_by_itself(frame) for frame in frames]
    found = {key: verdict.grade for key, verdict in grade_run(alone, policy).items()}
    filters = {f.context.filter: policy.for_filter(f.context.filter) for f in frames}
    return frozenset(
        frame.key
        for frame in frames
        if marks.get(frame.key, found[frame.key]) is Grade.KEEP
        and passes_physics(frame, filters[frame.context.filter])
    )


def _by_itself(frame: Frame) -> Frame:
    """Leave out the best frame of its name, which may be of another night."""
    return replace(frame, placement=replace(frame.placement, best_sky_adu_s=None))
