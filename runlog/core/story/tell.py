"""Telling a night: from graded frames to events, verdicts and what to check."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from runlog.core.grading.policy import Policy
from runlog.core.story.charged import charged
from runlog.core.story.events import FINDERS
from runlog.core.story.focus import find_drifts
from runlog.core.story.model import (
    Dark,
    Event,
    GradedLight,
    Lights,
    MoonCrossing,
    Night,
    Pace,
    Part,
    PartVerdict,
    Taken,
    ToCheck,
)
from runlog.core.story.parts import to_check, verdicts
from runlog.core.story.schedule import idle_events
from runlog.core.story.sun_and_moon import moon_events, sun_events
from runlog.core.story.turns import Stood, find_turn_since


@dataclass(frozen=True, slots=True)
class Story:
    """What happened in one run, how each part did, and what to check before the next night."""

    events: tuple[Event, ...]
    verdicts: dict[Part, PartVerdict]
    pace: Pace | None
    to_check: tuple[ToCheck, ...]


def tell(
    told: Iterable[GradedLight],
    policy: Policy,
    dark: Dark | None = None,
    moon: Sequence[MoonCrossing] = (),
    midnight: datetime | None = None,
    own_rows: str = "",
    doubt: str = "",
    *,
    place: tuple[float, float] | None = None,
    others: Sequence[Taken] = (),
    stood: Mapping[str, Stood] | None = None,
) -> Story:
    """Tell the story of a run's light frames; the order they come in does not matter.

    `dark`, `moon`, `midnight` (the Sun is lowest) and `place` (latitude and longitude in degrees)
    come from where and when the rig stood; `doubt` says why none of them is known. `own_rows` says
    which rows and columns of its camera always stand apart, `others` what else the run took, and
    `stood` how the camera stood the night before, by reference.
    """
    every = list(told)
    lights = in_time(every)
    about = Night(dark, doubt, len(every) - len(lights), place, moon, others)
    found_events = [
        *(event for find in FINDERS for event in find(lights)),
        *find_drifts(lights, policy),
        *moon_events(lights, moon),
        *sun_events(lights, midnight),
        *idle_events(lights, about),
        *find_turn_since(lights, stood or {}),
    ]
    events = charged(sorted(found_events, key=lambda e: (e.start, e.kind, e.first)), lights)
    pace = pace_of(lights)
    found = verdicts(lights, events, pace, policy, about, own_rows)
    return Story(tuple(events), found, pace, tuple(to_check(found)))


def in_time(told: Iterable[GradedLight]) -> list[GradedLight]:
    """Sort those that tell when they were taken; the others are left out."""
    dated = [t for t in told if t.frame.header.taken_at_utc is not None]
    return sorted(dated, key=lambda t: (t.start, t.frame.key))


def pace_of(lights: Lights) -> Pace | None:
    """Measure open-shutter time, elapsed time and the usual gap between exposures."""
    if not lights:
        return None
    gaps = [max((b.start - a.end).total_seconds(), 0.0) for a, b in pairwise(lights)]
    first, last = lights[0].start, max(t.end for t in lights)
    return Pace(
        first,
        last,
        sum(t.frame.header.exposure_s or 0.0 for t in lights),
        (last - first).total_seconds(),
        median(gaps) if gaps else None,
    )
