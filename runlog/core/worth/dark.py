"""Dark in which nothing was taken, by what is known of why."""

from collections.abc import Sequence

from runlog.core.story.model import Lights, Night
from runlog.core.story.schedule import Idle, idle_events, idles

NOT_UP = "no target up"
KINDS = {"late-start": "late start", "stopped": "early stop", "pause": "pauses"}


def unused(lights: Lights, night: Night) -> dict[str, float]:
    """Sum the dark before, between and after a run's light frames in seconds, by its cause.

    Parameters
    ----------
    lights : sequence of GradedLight
        Dated light frames of one run, in order of time.
    night : Night
        When it was dark, where that is known; else only pauses are found.
    """
    found: dict[str, float] = {}
    for idle in idles(lights, night):
        _add(found, _cause(idle), idle.unused_s)
    for event in idle_events(lights, night):
        if event.kind == "pause":
            _add(found, KINDS["pause"], event.cost_s)
    return {cause: seconds for cause, seconds in found.items() if seconds > 0}


def _cause(idle: Idle) -> str:
    if idle.target:
        return NOT_UP
    kind = KINDS[idle.kind]
    if idle.why.startswith("about when the Moon"):
        return f"{kind}, with the Moon"
    return f"{kind}, {idle.why}" if idle.why else kind


def _add(found: dict[str, float], cause: str, seconds: float) -> None:
    found[cause] = found.get(cause, 0.0) + seconds


def summed(nights: Sequence[dict[str, float]]) -> dict[str, float]:
    """Add up several nights' dark, the most costly first."""
    found: dict[str, float] = {}
    for night in nights:
        for cause, seconds in night.items():
            _add(found, cause, seconds)
    return dict(sorted(found.items(), key=lambda entry: (-entry[1], entry[0])))
