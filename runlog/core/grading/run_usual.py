"""What is usual in a run, group by group: found once, for all who compare its frames with it."""

from collections.abc import Sequence
from dataclasses import replace

from runlog.core.frame import Frame
from runlog.core.grading.baseline import (
    UsualShape,
    by_group,
    shape_group,
    sky_group,
    usual_aim,
    usual_shape,
)
from runlog.core.grading.clear_view import lost_sides, shares_by_group, standing, swallowed
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.course import courses
from runlog.core.grading.history import History
from runlog.core.grading.light_levels import light_levels
from runlog.core.grading.policy import Policy
from runlog.core.grading.summary import group_of
from runlog.core.grading.usual_light import OpenSky

SHAPE_FRAMES = 5  # fewer of one filter are compared with the whole run


class _Shapes:
    """Usual shapes, which hang on the narrowest width the rig was ever usual at."""

    def __init__(
        self, frames: Sequence[Frame], floor_px: float | None, dimmed: frozenset[str]
    ) -> None:
        whole = usual_shape(frames, floor_px, dimmed)
        several = len({f.context.filter for f in frames}) > 1
        self._everything = replace(whole, all_filters=several)
        self._own = by_group(frames, shape_group, lambda own: usual_shape(own, floor_px, dimmed))

    def of(self, frame: Frame) -> UsualShape:
        own = self._own[shape_group(frame)]
        return own if own.frames >= SHAPE_FRAMES else self._everything


class RunUsual:
    """What is usual in a run by its measured frames; of other nights only a width's floor is in it.

    It looks at no grade, and not at the best frame of a name: grading, summing up and the depth of
    frames may share one.
    """

    def __init__(self, frames: Sequence[Frame]) -> None:
        self.measured = [f for f in frames if f.measurement.measured]
        self._keys = {frame.key for frame in self.measured}
        shares = shares_by_group(self.measured)
        lost = lost_sides(self.measured, shares)
        self._swallowed = swallowed(self.measured, lost)
        self.covered = frozenset(lost) | self._swallowed  # by key: something stands before them
        self._standing = standing(self.measured, lost)
        self._sky = OpenSky(self.measured, self.covered, shares)
        self._levels = light_levels(self.measured, self._sky, lost)
        self._dimmed = self._sky.dimmed(self.measured)
        self._courses = courses(self.measured)
        self._aims = by_group(self.measured, sky_group, usual_aim)
        self._shapes: dict[float | None, _Shapes] = {}

    def compared(self, policy: Policy, history: History) -> list[ComparedFrame]:
        """Set every measured frame beside what it compares with."""
        return [self.beside(frame, policy, history) for frame in self.measured]

    def beside(self, frame: Frame, policy: Policy, history: History) -> ComparedFrame:
        """Set one of the frames, as it was given or otherwise graded, beside what is usual."""
        return ComparedFrame(
            frame,
            self._shape(frame, history),
            self._sky.light(frame),
            self._sky.count(frame),
            history.get(group_of(frame)),
            policy.for_filter(frame.context.filter),
            self._aims[sky_group(frame)],
            frame.placement.matched_to in self._keys,
            len(self.measured),
            self._courses.get(frame.key),
            frame.key in self._swallowed,
            frame.key in self._standing,
            self._levels.get(frame.key),
        )

    def _shape(self, frame: Frame, history: History) -> UsualShape:
        shape = self._by_floor(history).of(frame)
        focus = self._courses.get(frame.key)
        if focus is None or shape.profile is None or shape.profile >= focus.usual_profile:
            return shape
        return replace(shape, profile=focus.usual_profile)  # a drift is in the filter's own

    def _by_floor(self, history: History) -> _Shapes:
        floor = min((e.fwhm_floor_px for e in history.values()), default=None)
        if floor not in self._shapes:
            self._shapes[floor] = _Shapes(self.measured, floor, self._dimmed)
        return self._shapes[floor]
