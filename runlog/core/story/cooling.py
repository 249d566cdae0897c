"""How the cooler held its set point: told by sign, for warmer and colder are not one trouble."""

from collections.abc import Iterator, Sequence

from runlog.core.story.model import (
    Event,
    GradedLight,
    Lights,
    Opinion,
    PartVerdict,
    event,
    stretches,
    unknown,
)
from runlog.core.story.phrases import camera as say

COOLING_OFF_C = 2.0  # dark current changes by about a quarter in 2 C (common practice, no source)
STEADY_C = 0.5  # a cooler at its limit follows the air; one that regulates stays within this
ENOUGH_STEADY = 5  # frames, to call a difference steady


def cooling_verdict(lights: Lights) -> Iterator[PartVerdict]:
    """Say how far the sensor was from its set point, and on which side."""
    off = [d for t in lights if (d := off_set_point_c(t)) is not None]
    if not off:
        yield unknown(_why_unknown(lights))
    elif max(map(abs, off)) <= COOLING_OFF_C:
        yield PartVerdict(Opinion.GOOD, say.held(max(map(abs, off))))
    elif _steady(off):
        most = max(off, key=abs)
        yield PartVerdict(Opinion.FAIR, say.steadily_off(most, len(off)), say.STEADY_CHECK)
    else:
        yield from _off_side(off, 1, Opinion.POOR, say.WARM_CHECK)
        yield from _off_side(off, -1, Opinion.FAIR, say.COLD_CHECK)


def _why_unknown(lights: Lights) -> str:
    if any(t.frame.header.sensor_c is not None for t in lights):
        return say.NO_SET_TEMPERATURE
    if any(t.frame.header.set_c is not None for t in lights):
        return say.NO_SENSOR_TEMPERATURE
    return say.NO_TEMPERATURES


def _steady(off: Sequence[float]) -> bool:
    return len(off) >= ENOUGH_STEADY and max(off) - min(off) <= STEADY_C


def _off_side(
    off: Sequence[float], sign: int, opinion: Opinion, check: str
) -> Iterator[PartVerdict]:
    """Judge the frames on one side of the set point: 1 is warmer, -1 colder."""
    beyond = [d for d in off if d * sign > COOLING_OFF_C]
    if beyond:
        most = max(beyond, key=abs)
        text = say.off_set_point_on(most, COOLING_OFF_C, len(beyond), len(off))
        yield PartVerdict(opinion, text, check)


def cooling_events(lights: Lights) -> Iterator[Event]:
    """Tell stretches of two frames and more that were warmer, or colder, than asked."""
    for stretch in stretches(lights, _too_warm, least=2):
        yield event("cooling", stretch, _words(max(stretch, key=_off)))
    for stretch in stretches(lights, _too_cold, least=2):
        # A colder sensor harms no light: what those frames lost they lost to something else.
        yield event("cooling", stretch, _words(min(stretch, key=_off)), costs=False)


def _words(worst: GradedLight) -> str:
    header = worst.frame.header
    return say.off_set_point_at(header.sensor_c or 0.0, header.set_c or 0.0)


def off_set_point_c(light: GradedLight) -> float | None:
    """Give how much warmer the sensor was than it was told to be."""
    sensor_c, set_c = light.frame.header.sensor_c, light.frame.header.set_c
    return None if sensor_c is None or set_c is None else sensor_c - set_c


def _off(light: GradedLight) -> float:
    return off_set_point_c(light) or 0.0


def _too_warm(light: GradedLight) -> bool:
    return _off(light) > COOLING_OFF_C


def _too_cold(light: GradedLight) -> bool:
    return _off(light) < -COOLING_OFF_C
