"""A camera that turned in its clamp: a step of the field's angle that no flip explains.

Angles compare on one reference only, and half a turn is a flip. A field that turns slowly, all
night long, is the polar alignment's doing (field rotation), not the camera's.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from runlog.core.stars.angles import half_turn_deg, usual_deg
from runlog.core.story.model import Event, GradedLight, Lights, event
from runlog.core.story.phrases import events as say

TURN_LEAST_DEG = 1.0  # dust shadows move by a hundredth of the way to the corner (see flats' rule)
AROUND = 3  # frames on each side that tell the angle: one that was laid on badly turns nothing
ROTATION_FRAMES = 8
ROTATOR_DEG = 0.5  # what the header's rotator says of a turn, within so much
SAME_TURN = 0.5  # of it: another filter's frames, or another target's, show the same
CREEP_SHARE = 0.5  # of a step that a steady rotation explains


@dataclass(frozen=True, slots=True)
class Stood:
    """How the camera stood in an earlier night, on one reference."""

    night: str  # ISO date of the evening
    angle_deg: float
    rotator_deg: float | None = None  # as the headers say


@dataclass(frozen=True, slots=True)
class Turn:
    """By how much the field's angle changed between two frames."""

    before: GradedLight
    after: GradedLight
    deg: float


def find_turns(lights: Lights) -> Iterator[Event]:
    """Tell each turn of the camera within a run once, at the first frame that shows it."""
    told: list[Turn] = []
    found = (turn for own in _by_reference(lights) for turn in _turns_of(own))
    for turn in sorted(found, key=lambda t: (t.after.start, t.after.frame.key)):
        if any(_same(turn, other) for other in told):
            continue
        told.append(turn)
        yield event("turned", [turn.after], say.turned(turn.deg, turn.after.start))


def find_turn_since(lights: Lights, stood: Mapping[str, Stood]) -> Iterator[Event]:
    """Tell a camera that stands turned against the night before that shows the same field.

    `stood` says how it stood then, by the reference's content key.
    """
    for own in _by_reference(lights):
        then = stood.get(own[0].frame.placement.matched_to or "")
        if then is None or len(own) < AROUND:
            continue
        turned = half_turn_deg(_angle(own[:AROUND]) - then.angle_deg)
        meant = _as_far(then.rotator_deg, own[0].frame.header.rotator_deg, turned)
        if abs(turned) >= TURN_LEAST_DEG and not meant:
            yield event("turned", [own[0]], say.turned_since(turned, then.night))
            return


def find_rotation(lights: Lights) -> Iterator[Event]:
    """Tell a field that turned slowly by more than a degree: the polar axis is off."""
    for own in _by_reference(lights):
        if len(own) < ROTATION_FRAMES or any(True for _ in _turns_of(own)):
            continue
        turned, span_h = _rotation(own)
        if abs(turned) >= TURN_LEAST_DEG:
            yield event("drift", own, say.field_rotation(turned, span_h), costs=False)
            return


def _by_reference(lights: Lights) -> list[list[GradedLight]]:
    """Gather the frames whose angle is known by what they were laid on, in time order."""
    groups: dict[str, list[GradedLight]] = {}
    for light in lights:
        place = light.frame.placement
        if place.matched_to is not None and place.rotation_deg is not None:
            groups.setdefault(place.matched_to, []).append(light)
    return list(groups.values())


def _angle(lights: Lights) -> float:
    """Give the usual angle of some frames."""
    return usual_deg([t.frame.placement.rotation_deg or 0.0 for t in lights])


def _turns_of(own: Sequence[GradedLight]) -> Iterator[Turn]:
    for n in range(1, len(own)):
        before, after = own[max(n - AROUND, 0) : n], own[n : n + AROUND]
        deg = half_turn_deg(_angle(after) - _angle(before))
        here = half_turn_deg(_angle(after[:1]) - _angle(before[-1:]))
        if min(abs(deg), abs(here)) < TURN_LEAST_DEG or deg * here < 0:
            continue
        if len(after) < 2 and len(own) > 2:
            continue  # the last frame alone may be laid on badly
        if not _meant(own[n - 1], own[n], deg) and not _creeps(own, n, deg):
            yield Turn(own[n - 1], own[n], deg)


def _meant(a: GradedLight, b: GradedLight, deg: float) -> bool:
    """Tell whether the header's rotator turned as far."""
    return _as_far(a.frame.header.rotator_deg, b.frame.header.rotator_deg, deg)


def _as_far(was_deg: float | None, now_deg: float | None, turned_deg: float) -> bool:
    """Tell whether a rotator turned as far as the field; which way it counts is the driver's."""
    if was_deg is None or now_deg is None:
        return False
    return abs(abs(half_turn_deg(now_deg - was_deg)) - abs(turned_deg)) <= ROTATOR_DEG


def _creeps(own: Sequence[GradedLight], n: int, deg: float) -> bool:
    """Tell whether the field turns steadily, so that a gap between frames looks like a step."""
    speeds = [_speed(a, b) for a, b in pairwise(own) if b is not own[n]]
    known = [s for s in speeds if s is not None]
    if len(known) < AROUND:
        return False
    gap_h = (own[n].start - own[n - 1].start).total_seconds() / 3600
    creep = median(known) * gap_h
    return creep * deg > 0 and abs(creep) >= CREEP_SHARE * abs(deg)


def _speed(a: GradedLight, b: GradedLight) -> float | None:
    """Give how fast the field turned between two frames, degrees an hour."""
    hours = (b.start - a.start).total_seconds() / 3600
    return half_turn_deg(_angle([b]) - _angle([a])) / hours if hours > 0 else None


def _rotation(own: Sequence[GradedLight]) -> tuple[float, float]:
    """Give how far a field turned from the first frames to the last, in degrees, and in hours."""
    turned = half_turn_deg(_angle(own[-AROUND:]) - _angle(own[:AROUND]))
    return turned, (own[-1].start - own[0].start).total_seconds() / 3600


def _same(turn: Turn, other: Turn) -> bool:
    """Tell whether frames laid on another reference show the same turn."""
    at_once = turn.before.start < other.after.start and other.before.start < turn.after.start
    return at_once and abs(turn.deg - other.deg) < SAME_TURN * abs(turn.deg)
