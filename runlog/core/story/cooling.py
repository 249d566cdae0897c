"""How the cooler held its set point: told by sign, for warmer and colder are not one trouble."""

from collections.abc import Iterator, Sequence

from runlog.core.columns import plural
from runlog.core.story.model import (
    Event,
    Lights,
    Opinion,
    PartVerdict,
    Told,
    event,
    stretches,
    unknown,
)

COOLING_OFF_C = 2.0  # dark current changes by about a quarter in 2 C (common practice, no source)
STEADY_C = 0.5  # a cooler at its limit follows the air; one that regulates stays within this
ENOUGH_STEADY = 5  # frames, to call a difference steady
WARM_CHECK = "the cooler's power and the set point: about 40 C under ambient is the most"
COLD_CHECK = "whether the set point was changed, and whether darks of that temperature are there"
STEADY_CHECK = (
    "whether the set point in the headers is the one the cooler had, and whether it could reach it"
)


def cooling_verdict(lights: Lights) -> Iterator[PartVerdict]:
    """Say how far the sensor was from its set point, and on which side."""
    off = [d for t in lights if (d := off_set_point_c(t)) is not None]
    if not off:
        yield unknown(_why_unknown(lights))
    elif max(map(abs, off)) <= COOLING_OFF_C:
        text = f"the sensor stayed within {max(map(abs, off)):.1f} C of its set point"
        yield PartVerdict(Opinion.GOOD, text)
    elif _steady(off):
        yield PartVerdict(Opinion.FAIR, _steady_words(off), STEADY_CHECK)
    else:
        yield from _warmer(off)
        yield from _colder(off)


def _why_unknown(lights: Lights) -> str:
    if any(t.frame.header.sensor_c is not None for t in lights):
        return "the headers give no set temperature"
    if any(t.frame.header.set_c is not None for t in lights):
        return "the headers do not give the sensor's temperature"
    return "the headers do not give sensor and set temperature"


def _steady(off: Sequence[float]) -> bool:
    return len(off) >= ENOUGH_STEADY and max(off) - min(off) <= STEADY_C


def _steady_words(off: Sequence[float]) -> str:
    side, size = ("above", max(off)) if off[0] > 0 else ("below", -min(off))
    return (
        f"the sensor was steady, up to {size:.1f} C {side} the set point in the headers, on all "
        f"{len(off)} frames: not reached, or not the one in force"
    )


def _warmer(off: Sequence[float]) -> Iterator[PartVerdict]:
    warm = [d for d in off if d > COOLING_OFF_C]
    if warm:
        text = f"the sensor was up to {max(warm):.1f} C warmer than its set point, {_on(warm, off)}"
        yield PartVerdict(Opinion.POOR, text, WARM_CHECK)


def _colder(off: Sequence[float]) -> Iterator[PartVerdict]:
    cold = [-d for d in off if d < -COOLING_OFF_C]
    if cold:
        text = f"the sensor was up to {max(cold):.1f} C colder than its set point, {_on(cold, off)}"
        yield PartVerdict(Opinion.FAIR, text, COLD_CHECK)


def _on(hit: Sequence[float], off: Sequence[float]) -> str:
    return f"more than {COOLING_OFF_C:.0f} C on {len(hit)} of {plural(len(off), 'frame')}"


def cooling_events(lights: Lights) -> Iterator[Event]:
    """Tell stretches of two frames and more that were warmer, or colder, than asked."""
    for stretch in stretches(lights, _too_warm, least=2):
        yield event("cooling", stretch, _words(max(stretch, key=_off), "warmer"))
    for stretch in stretches(lights, _too_cold, least=2):
        # A colder sensor harms no light: what those frames lost they lost to something else.
        yield event("cooling", stretch, _words(min(stretch, key=_off), "colder"), costs=False)


def _words(worst: Told, side: str) -> str:
    frame = worst.frame
    return (
        f"the sensor was up to {abs(_off(worst)):.1f} C {side} than its set point: "
        f"{frame.header.sensor_c:.1f} C, set {frame.header.set_c:.1f} C"
    )


def off_set_point_c(light: Told) -> float | None:
    """Give how much warmer the sensor was than it was told to be."""
    sensor_c, set_c = light.frame.header.sensor_c, light.frame.header.set_c
    return None if sensor_c is None or set_c is None else sensor_c - set_c


def _off(light: Told) -> float:
    return off_set_point_c(light) or 0.0


def _too_warm(light: Told) -> bool:
    return _off(light) > COOLING_OFF_C


def _too_cold(light: Told) -> bool:
    return _off(light) < -COOLING_OFF_C
