"""Finders of events: each looks through a run's frames for one kind of thing."""

from collections.abc import Callable, Iterator
from itertools import pairwise
from statistics import median

from runlog.core.faults.shape import HALO_WORDS
from runlog.core.frame import FaultName
from runlog.core.story.pointing import find_drift, find_jumps, find_no_dither
from runlog.core.story.told import Event, Lights, Told, event, stretches, worst_evidence

PAUSE_LEAST_S = 900.0  # a refocus, a flip and a plate solve together take less
PAUSE_TIMES_USUAL = 5.0
COOLING_OFF_C = 2.0  # dark current changes by about a quarter in 2 C (common practice, no source)
REFOCUS_LEAST_STEPS = 5  # less is temperature compensation or backlash
REFOCUS_GAIN = 0.9  # stars at least a tenth narrower after the focuser moved
DEW_FRAMES = 3


def _clouds(lights: Lights) -> Iterator[Event]:
    for stretch in stretches(lights, lambda t: t.has(FaultName.CLOUD)):
        yield event("cloud", stretch, f"cloud: {_cloud_words(stretch)}")


def _dew(lights: Lights) -> Iterator[Event]:
    """Halos that grow over several frames: dew does not come and go like a cloud."""
    for stretch in stretches(lights, _has_halos, least=DEW_FRAMES):
        text = f"dew or fog: {worst_evidence(stretch, FaultName.FEW_STARS)}"
        yield event("dew", stretch, text)


def _has_halos(light: Told) -> bool:
    return any(HALO_WORDS in fault.evidence for fault in light.verdict.faults)


def _cloud_words(stretch: Lights) -> str:
    """Say how little light came through at the worst, from matched stars where possible."""
    known = [t.frame.transparency for t in stretch if t.frame.transparency is not None]
    if not known:
        return worst_evidence(stretch, FaultName.CLOUD)
    return f"down to {min(known):.0%} of the light of the best frame"


def _trailing(lights: Lights) -> Iterator[Event]:
    names = (FaultName.TRAILED, FaultName.DOUBLED)
    for stretch in stretches(lights, lambda t: t.has(*names)):
        name = next(n for n in names if any(t.has(n) for t in stretch))
        words = "trailed stars" if name is FaultName.TRAILED else "doubled stars"
        evidence = worst_evidence(stretch, name, lambda f: f.eccentricity)
        yield event("trailing", stretch, f"{words}: {evidence}")


def _focus_drift(lights: Lights) -> Iterator[Event]:
    for stretch in stretches(lights, lambda t: t.has(FaultName.DEFOCUSED)):
        evidence = worst_evidence(stretch, FaultName.DEFOCUSED, lambda f: f.fwhm_px)
        text = f"out of focus: {evidence}{_cooling(stretch)}"
        yield event("focus-drift", stretch, text)


def _cooling(stretch: Lights) -> str:
    first, last = stretch[0].frame.focus_c, stretch[-1].frame.focus_c
    if first is None or last is None or abs(last - first) < 0.3:
        return ""
    return f"; the focuser went from {first:.1f} to {last:.1f} C meanwhile"


def _refocus(lights: Lights) -> Iterator[Event]:
    """Find where the focuser moved and the stars came back into focus."""
    for a, b in pairwise(lights):
        before, after = a.frame.focus_pos, b.frame.focus_pos
        if before is None or after is None or abs(after - before) < REFOCUS_LEAST_STEPS:
            continue
        wide, narrow = a.frame.fwhm_px, b.frame.fwhm_px
        if not a.has(FaultName.DEFOCUSED) or b.has(FaultName.DEFOCUSED) or not wide or not narrow:
            continue
        if narrow <= REFOCUS_GAIN * wide:
            text = (
                f"refocused: the focuser moved from {before:.0f} to {after:.0f} and FWHM fell "
                f"from {wide:.1f} to {narrow:.1f} px"
            )
            yield event("refocus", [b], text, costs=False)


def _flips(lights: Lights) -> Iterator[Event]:
    for a, b in pairwise(lights):
        if a.frame.target != b.frame.target or not _turned(a, b):
            continue
        minutes = (b.start - a.end).total_seconds() / 60
        sides = f": pier side {a.frame.pier_side} to {b.frame.pier_side}"
        known = sides if a.frame.pier_side and b.frame.pier_side else ""
        yield event("flip", [b], f"meridian flip{known}, {minutes:.0f} min idle", costs=False)


def _turned(a: Told, b: Told) -> bool:
    """Tell a flip by the pier side, or by half a turn of the field where that is not written."""
    sides = a.frame.pier_side, b.frame.pier_side
    if None not in sides:
        return sides[0] != sides[1]
    turns = a.frame.rotation_deg, b.frame.rotation_deg
    if turns[0] is None or turns[1] is None or a.frame.filter != b.frame.filter:
        return False
    return abs((turns[1] - turns[0] + 180) % 360 - 180) > 150


def _pauses(lights: Lights) -> Iterator[Event]:
    gaps = [max((b.start - a.end).total_seconds(), 0.0) for a, b in pairwise(lights)]
    if not gaps:
        return
    long = max(PAUSE_LEAST_S, PAUSE_TIMES_USUAL * median(gaps))
    for (a, b), gap_s in zip(pairwise(lights), gaps, strict=True):
        if gap_s >= long:
            text = f"pause: no light frame for {gap_s / 60:.0f} min"
            yield Event("pause", a.end, b.start, a.frame.key, b.frame.key, 0, gap_s, text)


def _moon(lights: Lights) -> Iterator[Event]:
    for a, b in pairwise(lights):
        before, after = a.frame.moon_alt_deg, b.frame.moon_alt_deg
        if before is None or after is None or (before > 0) == (after > 0):
            continue
        kind, word = ("moonrise", "rose") if after > 0 else ("moonset", "set")
        yield event(kind, [b], f"the Moon {word}", costs=False)


def _dawn(lights: Lights) -> Iterator[Event]:
    for stretch in stretches(lights, _in_dawn):
        sun = stretch[-1].frame.sun_alt_deg
        if sun is not None:
            yield event("dawn", stretch, f"dawn: the Sun {-sun:.0f} degrees down at the last frame")


def _in_dawn(light: Told) -> bool:
    sun = light.frame.sun_alt_deg
    return sun is not None and sun > -18 and light.has(FaultName.BRIGHT_SKY)


def _warm(lights: Lights) -> Iterator[Event]:
    for stretch in stretches(lights, off_set_point, least=2):
        frame = max(stretch, key=lambda t: t.frame.sensor_c or -273.0).frame
        text = (
            f"the cooler lost its set point: sensor up to {frame.sensor_c:.1f} C, "
            f"set {frame.set_c:.1f} C"
        )
        yield event("cooling", stretch, text)


def off_set_point(light: Told) -> bool:
    """Tell whether the sensor was warmer or colder than it was told to be."""
    sensor, wanted = light.frame.sensor_c, light.frame.set_c
    return sensor is not None and wanted is not None and abs(sensor - wanted) > COOLING_OFF_C


FINDERS: tuple[Callable[[Lights], Iterator[Event]], ...] = (
    _clouds,
    _dew,
    _trailing,
    _focus_drift,
    _refocus,
    find_jumps,
    find_drift,
    find_no_dither,
    _flips,
    _pauses,
    _moon,
    _dawn,
    _warm,
)
