"""Finders of events: each looks through a run's frames for one kind of thing."""

from collections.abc import Callable, Iterator
from itertools import pairwise

from runlog.core.story.cooling import cooling_events
from runlog.core.story.focus import find_refocus
from runlog.core.story.model import Event, GradedLight, Lights, event
from runlog.core.story.phrases import events as say
from runlog.core.story.pointing import find_drift, find_jumps, find_no_dither
from runlog.core.story.sky_events import FINDERS as SKY_FINDERS
from runlog.core.story.trails import find_trails
from runlog.core.story.turns import find_rotation, find_turns


def _flips(lights: Lights) -> Iterator[Event]:
    for a, b in pairwise(lights):
        if a.frame.context.target != b.frame.context.target or not _turned(a, b):
            continue
        idle_s = max((b.start - a.end).total_seconds(), 0.0)
        text = say.flip(idle_s, a.frame.header.pier_side, b.frame.header.pier_side)
        yield event("flip", [b], text, costs=False)


def _turned(a: GradedLight, b: GradedLight) -> bool:
    """Tell a flip by the pier side, or by half a turn of the field where that is not written."""
    sides = a.frame.header.pier_side, b.frame.header.pier_side
    if None not in sides:
        return sides[0] != sides[1]
    turns = a.frame.placement.rotation_deg, b.frame.placement.rotation_deg
    if turns[0] is None or turns[1] is None or a.frame.context.filter != b.frame.context.filter:
        return False
    if a.frame.placement.matched_to != b.frame.placement.matched_to:
        return False
    return abs((turns[1] - turns[0] + 180) % 360 - 180) > 150


FINDERS: tuple[Callable[[Lights], Iterator[Event]], ...] = (
    *SKY_FINDERS,
    find_trails,
    find_refocus,
    find_jumps,
    find_drift,
    find_no_dither,
    _flips,
    find_turns,
    find_rotation,
    cooling_events,
)
