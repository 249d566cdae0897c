"""What Sun and Moon did while a run was taken: moonrise and moonset, twilight, daylight."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from runlog.core.frame import FaultName
from runlog.core.sky.horizon import LIMB_DEG
from runlog.core.story.model import Event, GradedLight, Lights, MoonCrossing, event, stretches
from runlog.core.story.phrases import sky as say

TWILIGHT_DEG = -18.0  # astronomical: below it the Sun lights no sky


def moon_events(lights: Lights, moon: Sequence[MoonCrossing]) -> Iterator[Event]:
    """Tell each moonrise and moonset between the first light and the last, at its own moment."""
    for at, rises in moon:
        if not lights or not lights[0].start <= at <= max(t.end for t in lights):
            continue
        light = next((t for t in lights if _middle(t) >= at), lights[-1])
        kind, key = "moonrise" if rises else "moonset", light.frame.key
        yield Event(kind, at, at, key, key, 1, 0.0, say.moon(rises))


def _middle(light: GradedLight) -> datetime:
    return light.start + (light.end - light.start) / 2


def sun_events(lights: Lights, midnight: datetime | None) -> Iterator[Event]:
    """Tell where evening twilight, dawn or daylight lit the sky of frames.

    `midnight` is when the Sun is lowest, where the site is known; else the frame with the lowest
    Sun stands for it.
    """
    middle = midnight or _lowest(lights)
    if middle is None:
        return
    tests: tuple[tuple[str, Callable[[GradedLight], bool]], ...] = (
        ("daylight", _in_daylight),
        ("dusk", lambda t: _in_twilight(t) and t.start < middle),
        ("dawn", lambda t: _in_twilight(t) and t.start >= middle),
    )
    for kind, holds in tests:
        for stretch in stretches(lights, holds):
            yield event(kind, stretch, _sun_text(kind, stretch))


def _lowest(lights: Lights) -> datetime | None:
    """Give the start of the frame with the lowest Sun.

    Where that is the last frame it is dusk as well, so the middle lies behind it. One frame alone
    tells no direction.
    """
    known = [t for t in lights if t.frame.context.sun_alt_deg is not None]
    if len(known) < 2:
        return None
    lowest = min(known, key=_sun)
    return lowest.end if lowest is known[-1] else lowest.start


def _sun(light: GradedLight) -> float:
    return -90.0 if light.frame.context.sun_alt_deg is None else light.frame.context.sun_alt_deg


def _in_daylight(light: GradedLight) -> bool:
    return _sun(light) > LIMB_DEG and light.has(FaultName.BRIGHT_SKY)


def _in_twilight(light: GradedLight) -> bool:
    return TWILIGHT_DEG < _sun(light) <= LIMB_DEG and light.has(FaultName.BRIGHT_SKY)


def _sun_text(kind: str, stretch: Lights) -> str:
    if kind == "daylight":
        return say.daylight(max(_sun(t) for t in stretch))
    return say.dusk(_sun(stretch[0])) if kind == "dusk" else say.dawn(_sun(stretch[-1]))
