"""Finders of events: each looks through a run's frames for one kind of thing."""

from collections.abc import Callable, Iterator
from itertools import pairwise

from runlog.core.frame import FaultName
from runlog.core.story.cooling import cooling_events
from runlog.core.story.focus import find_refocus
from runlog.core.story.model import Event, Lights, Told, event, stretches, worst_evidence
from runlog.core.story.phrases import events as say
from runlog.core.story.phrases import sky as say_sky
from runlog.core.story.pointing import find_drift, find_jumps, find_no_dither
from runlog.core.story.sky import has_halos
from runlog.core.story.trails import find_trails
from runlog.core.story.turns import find_rotation, find_turns

DEW_FRAMES = 3


def _clouds(lights: Lights) -> Iterator[Event]:
    for stretch in stretches(lights, lambda t: t.has(FaultName.CLOUD)):
        yield event("cloud", stretch, say_sky.cloud(_least_light(stretch)))


def _dew(lights: Lights) -> Iterator[Event]:
    """Halos that grow over several frames: dew does not come and go like a cloud."""
    for stretch in stretches(lights, has_halos, least=DEW_FRAMES):
        yield event("dew", stretch, say_sky.dew(worst_evidence(stretch, FaultName.FEW_STARS)))


def _least_light(stretch: Lights) -> str:
    """Say how little light came through at the worst, from matched stars where possible."""
    known = [
        t.frame.placement.transparency
        for t in stretch
        if t.frame.placement.transparency is not None
    ]
    if not known:
        return worst_evidence(stretch, FaultName.CLOUD)
    return say_sky.light_left(min(known))


def _flips(lights: Lights) -> Iterator[Event]:
    for a, b in pairwise(lights):
        if a.frame.context.target != b.frame.context.target or not _turned(a, b):
            continue
        idle_s = max((b.start - a.end).total_seconds(), 0.0)
        text = say.flip(idle_s, a.frame.header.pier_side, b.frame.header.pier_side)
        yield event("flip", [b], text, costs=False)


def _turned(a: Told, b: Told) -> bool:
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
    _clouds,
    _dew,
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
