"""What an exposure that is lost was lost to: one cause, once, whatever else befell its frame.

The cause is the first fault that weighs: the worst grade first, then in the causes' order. Events
are charged by it, so that what they cost together is never more than what was lost.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from runlog.core.frame import FaultName
from runlog.core.story.model import Event, GradedLight, Lights

BY_HAND, UNGRADED = "marked by hand", "ungraded"
# Which lost frames an event of a kind answers for. All others cost no exposure: what a run without
# dithers, a drift or a cooler off its set point lost, it lost to something else.
ANSWERS_FOR: dict[str, tuple[str, ...]] = {
    "cloud": (FaultName.CLOUD.value,),
    "dew": (FaultName.DEW.value,),
    "obstruction": (FaultName.OBSTRUCTED.value,),
    "seeing": (FaultName.SOFT.value,),
    "focus-drift": (FaultName.DEFOCUSED.value,),
    "trailing": (FaultName.TRAILED.value, FaultName.DOUBLED.value),
    "wind": (FaultName.TRAILED.value, FaultName.DOUBLED.value),
    "jump": (FaultName.OFF_TARGET.value,),
    "dusk": (FaultName.BRIGHT_SKY.value,),
    "dawn": (FaultName.BRIGHT_SKY.value,),
    "daylight": (FaultName.BRIGHT_SKY.value,),
}


def cause_of(light: GradedLight) -> str:
    """Name what a frame that is not kept was lost to."""
    name = light.lost_to
    if name is None:
        return UNGRADED if light.grade is light.verdict.grade else BY_HAND
    return name.value


def lost_by_cause(lights: Iterable[GradedLight]) -> dict[str, float]:
    """Sum the exposure time, in seconds, that is not kept by its cause, the most costly first."""
    lost: dict[str, float] = {}
    for light in lights:
        if light.lost_s:
            cause = cause_of(light)
            lost[cause] = lost.get(cause, 0.0) + light.lost_s
    return dict(sorted(lost.items(), key=lambda entry: -entry[1]))


def charged(events: Sequence[Event], lights: Lights) -> list[Event]:
    """Charge each lost frame to one event that answers for its cause, the closest first.

    What was idle costs its own time: such an event holds no frames.
    """
    at = {light.frame.key: n for n, light in enumerate(lights)}
    left = {n: light for n, light in enumerate(lights) if light.lost_s}
    spans = [range(at[e.first], at[e.last] + 1) for e in events]
    costs = [0.0 if e.frames else e.cost_s for e in events]
    for n in sorted(range(len(events)), key=lambda n: (len(spans[n]), n)):
        causes = ANSWERS_FOR.get(events[n].kind, ())
        own = [at_ for at_ in spans[n] if at_ in left and cause_of(left[at_]) in causes]
        costs[n] += sum(left.pop(at_).lost_s for at_ in own)
    return [replace(e, cost_s=cost) for e, cost in zip(events, costs, strict=True)]
