"""The first frame after a dither, a refocus, a flip, a slew or a pause: context, not a cause."""

from itertools import pairwise
from math import hypot

from runlog.core.story.dithering import Dithering, dithering
from runlog.core.story.focus import REFOCUS_LEAST_STEPS
from runlog.core.story.model import GradedLight, Lights

FLIP = "the flip"
PAUSE_LEAST_S = 900.0  # a refocus, a flip and a plate solve together take less


def first_frames(lights: Lights) -> dict[str, list[GradedLight]]:
    """List the frames that came first after something, by what it was."""
    dithers = dithering(lights)
    found: dict[str, list[GradedLight]] = {}
    for a, b in pairwise(lights):
        what = _between(a, b, dithers)
        if what:
            found.setdefault(what, []).append(b)
    return found


def _between(a: GradedLight, b: GradedLight, dithers: Dithering | None) -> str | None:
    """Name what happened between two frames, the most disturbing first."""
    if a.frame.context.target != b.frame.context.target:
        return "a slew"
    sides = a.frame.header.pier_side, b.frame.header.pier_side
    if None not in sides and sides[0] != sides[1]:
        return FLIP
    if (b.start - a.end).total_seconds() >= PAUSE_LEAST_S:
        return "a pause"
    if a.frame.context.filter != b.frame.context.filter:
        return None
    if _moved(a.frame.header.focus_pos, b.frame.header.focus_pos):
        return "a refocus"
    step_px = _step_px(a, b)
    # Where most frames come after a dither it is no news.
    if step_px is None or dithers is None or not dithers.seldom:
        return None
    return "a dither" if dithers.is_move(step_px) else None


def _moved(was: float | None, now: float | None) -> bool:
    return was is not None and now is not None and abs(now - was) >= REFOCUS_LEAST_STEPS


def _step_px(a: GradedLight, b: GradedLight) -> float | None:
    here, there = a.frame.placement, b.frame.placement
    x, y, to_x, to_y = here.shift_x_px, here.shift_y_px, there.shift_x_px, there.shift_y_px
    if x is None or y is None or to_x is None or to_y is None:
        return None
    if here.matched_to != there.matched_to:
        return None  # places on two references do not compare
    return hypot(to_x - x, to_y - y)
