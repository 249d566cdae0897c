"""Where frames lie on their references, and how far the field moved from one to the next."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import hypot

from runlog.core.story.model import GradedLight, Lights


@dataclass(frozen=True, slots=True)
class Step:
    """How far the field moved from one frame to the next of the same target and side."""

    before: GradedLight
    after: GradedLight
    dx_px: float
    dy_px: float
    adjoining: bool = True  # no other frame was taken between the two

    @property
    def size_px(self) -> float:
        """Length of the step."""
        return hypot(self.dx_px, self.dy_px)

    @property
    def hours(self) -> float:
        """Time from the start of one frame to the start of the next."""
        return (self.after.start - self.before.start).total_seconds() / 3600


def placed(lights: Lights) -> list[GradedLight]:
    """Keep the frames whose place on their reference is known."""
    return [t for t in lights if t.frame.placement.shift_x_px is not None]


def laid_on_another(lights: Lights) -> list[GradedLight]:
    """Keep the placed frames that another frame shows the place of: each lies on itself."""
    where = placed(lights)
    on = Counter(t.frame.placement.matched_to for t in where)
    return [t for t in where if t.frame.placement.matched_to != t.frame.key or on[t.frame.key] > 1]


def is_flipped(light: GradedLight) -> bool:
    """Tell whether a frame lies upside down on its reference: on the other side of the pier."""
    return abs(light.frame.placement.rotation_deg or 0.0) > 90


def stays(lights: Lights) -> Iterator[list[GradedLight]]:
    """Split placed frames where the target or the pier side changes.

    Filters of one target have references of their own whose fields lie a dither apart, so a
    stay holds one filter; and one field, as places on two references do not compare.
    """
    groups: dict[tuple[object, ...], list[GradedLight]] = {}
    for t in placed(lights):
        key = (
            t.frame.context.target,
            t.frame.context.filter,
            t.frame.placement.matched_to,
            is_flipped(t),
        )
        groups.setdefault(key, []).append(t)
    yield from groups.values()


def steps_by_stay(lights: Lights) -> list[list[Step]]:
    """Measure the steps between neighbours of each stay.

    A mount that went to another target between the two was pointed anew: that is no step.
    """
    number = {id(t): n for n, t in enumerate(lights)}
    visit = _visits(lights)
    return [
        [
            _step(a, b, number[id(b)] - number[id(a)] == 1)
            for a, b in pairwise(stay)
            if visit[id(a)] == visit[id(b)]
        ]
        for stay in stays(lights)
    ]


def steps(lights: Lights) -> list[Step]:
    """Measure the steps between neighbours of all stays."""
    return [step for own in steps_by_stay(lights) for step in own]


def _visits(lights: Lights) -> dict[int, int]:
    """Number the visits to targets; a frame without a target's name belongs to the visit it is in.

    Keys are the identities of the frames' objects.
    """
    found, visit, at = {}, 0, ""
    for light in lights:
        target = light.frame.context.target or at
        visit += bool(at) and target != at
        found[id(light)], at = visit, target
    return found


def _step(a: GradedLight, b: GradedLight, adjoining: bool) -> Step:
    here, there = a.frame.placement, b.frame.placement
    dx = (there.shift_x_px or 0.0) - (here.shift_x_px or 0.0)
    dy = (there.shift_y_px or 0.0) - (here.shift_y_px or 0.0)
    return Step(a, b, dx, dy, adjoining)
