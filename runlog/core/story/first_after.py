"""The first frame after a dither, a refocus, a flip, a slew or a pause: context, not a cause."""

from itertools import pairwise
from math import hypot
from statistics import median

from runlog.core.story.focus import REFOCUS_LEAST_STEPS
from runlog.core.story.model import Lights, Told

DITHER_TIMES_USUAL = 3.0  # where only some frames are dithered, those stand out
DITHER_LEAST_PX = 1.5
PAUSE_LEAST_S = 900.0  # a refocus, a flip and a plate solve together take less


def first_frames(lights: Lights) -> dict[str, list[Told]]:
    """List the frames that came first after something, by what it was."""
    usual_px = _usual_step_px(lights)
    found: dict[str, list[Told]] = {}
    for a, b in pairwise(lights):
        what = _between(a, b, usual_px)
        if what:
            found.setdefault(what, []).append(b)
    return found


def _between(a: Told, b: Told, usual_px: float | None) -> str | None:
    """Name what happened between two frames, the most disturbing first."""
    if a.frame.context.target != b.frame.context.target:
        return "a slew"
    sides = a.frame.header.pier_side, b.frame.header.pier_side
    if None not in sides and sides[0] != sides[1]:
        return "the flip"
    if (b.start - a.end).total_seconds() >= PAUSE_LEAST_S:
        return "a pause"
    if a.frame.context.filter != b.frame.context.filter:
        return None
    if _moved(a.frame.header.focus_pos, b.frame.header.focus_pos):
        return "a refocus"
    step_px = _step_px(a, b)
    if step_px is None or usual_px is None:
        return None
    return "a dither" if step_px >= max(DITHER_TIMES_USUAL * usual_px, DITHER_LEAST_PX) else None


def _moved(was: float | None, now: float | None) -> bool:
    return was is not None and now is not None and abs(now - was) >= REFOCUS_LEAST_STEPS


def _step_px(a: Told, b: Told) -> float | None:
    here, there = a.frame.placement, b.frame.placement
    x, y, to_x, to_y = here.shift_x_px, here.shift_y_px, there.shift_x_px, there.shift_y_px
    if x is None or y is None or to_x is None or to_y is None:
        return None
    return hypot(to_x - x, to_y - y)


def _usual_step_px(lights: Lights) -> float | None:
    steps = [
        _step_px(a, b)
        for a, b in pairwise(lights)
        if a.frame.context.filter == b.frame.context.filter
    ]
    known = [s for s in steps if s is not None]
    return median(known) if known else None


def right_after(lights: Lights, light: Told) -> str | None:
    """Name what a frame came first after; None where nothing happened before it."""
    found = first_frames(lights).items()
    return next((what for what, firsts in found if any(t is light for t in firsts)), None)
