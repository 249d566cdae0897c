"""Thin cloud: hours in which some of the light was lost, too little to cost a frame."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import groupby, pairwise
from math import ceil, log10
from statistics import mean, median

from runlog.core.frame import FaultName
from runlog.core.grading.baseline import light_group
from runlog.core.grading.policy import extinction_mag
from runlog.core.quantiles import quantile
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.sky.clear_air import HIGHEST_SHARE, LOWEST_SHARE
from runlog.core.story.model import GradedLight, Lights

LOST = 0.04  # of the light; a clear night's own wandering stays below it
LOST_ON_THE_WHOLE = 0.045
LEAST_S = 3600.0
LEAST_FRAMES = 6
GROUP_FRAMES = 8  # of one field and filter, to know what it gives under a clear sky
SMOOTHED = 5  # frames
HOLE_S = 900.0
CLOUDED_SHARE = 0.5  # of the frames in between: where more are lost, the cloud is told already
# Of medians of five Gaussian values a twentieth lies so many of their sigma beyond the middle.
CLEAR_QUANTILE, CLEAR_SIGMAS = 0.05, 0.88
SLOPE_STEP_MAG = 0.01
OTHER_TROUBLE = (
    FaultName.CLOUD,
    FaultName.DEW,
    FaultName.OBSTRUCTED,
    FaultName.TRAILED,
    FaultName.DOUBLED,
    FaultName.DEFOCUSED,
    FaultName.READOUT,
    FaultName.OFF_TARGET,
)


@dataclass(frozen=True, slots=True)
class Spell:
    """Frames under thin cloud, and the shares of the light that were lost."""

    lights: Lights
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class _Lost:
    light: GradedLight
    share: float


def thin_cloud(lights: Lights, apart: frozenset[str] = frozenset()) -> Iterator[Spell]:
    """Find spells of an hour and more in which at least a twentieth of the light was lost.

    What a clear sky takes low down is not known better than to a factor; of all slopes a clear sky
    may have, each field and filter is given the one that leaves least to the cloud. `apart` are
    keys of frames that lost light to something else.
    """
    usable = [
        t
        for t in lights
        if t.frame.placement.transparency and not t.has(*OTHER_TROUBLE) and t.frame.key not in apart
    ]
    lost = sorted(_lost(usable), key=lambda x: (x.light.start, x.light.frame.key))
    smooth = _smoothed([x.share for x in lost])
    for spell in _spells([_Lost(x.light, s) for x, s in zip(lost, smooth, strict=True)]):
        first, last = spell[0].light.start, spell[-1].light.end
        between = [t for t in lights if first <= t.start <= last]
        clouded = sum(t.has(FaultName.CLOUD) for t in between)
        if clouded < CLOUDED_SHARE * len(between):
            shares = [x.share for x in spell]
            yield Spell([x.light for x in spell], min(shares), max(shares))


def _lost(lights: Lights) -> Iterator[_Lost]:
    def key(light: GradedLight) -> str:
        return repr(light_group(light.frame))

    for _, members in groupby(sorted(lights, key=key), key=key):
        own = sorted(members, key=lambda t: (t.start, t.frame.key))
        if len(own) >= GROUP_FRAMES:
            lost_mag = _loss_mag(own)
            yield from (_Lost(t, 1 - 10 ** (-0.4 * m)) for t, m in zip(own, lost_mag, strict=True))


def _loss_mag(own: Lights) -> list[float]:
    """Reckon each frame's loss in magnitudes by the slope that leaves least of it."""
    mag = [-2.5 * log10(t.frame.placement.transparency or 1.0) for t in own]
    noise = MAD_TO_SIGMA * median(abs(b - a) for a, b in pairwise(mag)) / 2**0.5
    airmass = [t.frame.context.airmass for t in own if t.frame.context.airmass]
    if len(airmass) < len(own):
        return _from_clear(mag, noise)
    usual = extinction_mag(own[0].frame.context.filter)
    # A default was taken out of the light, or the run's own slope, which is nearer to the truth.
    least, most = (LOWEST_SHARE - 1) * usual, (HIGHEST_SHARE - 1) * usual
    steps = ceil((most - least) / SLOPE_STEP_MAG) + 1
    low = [x - min(airmass) for x in airmass]
    tried = [
        _from_clear([m - slope * x for m, x in zip(mag, low, strict=True)], noise)
        for slope in (least + n * SLOPE_STEP_MAG for n in range(steps))
    ]
    return min(tried, key=lambda lost: sum(max(m - LOST / 2, 0.0) for m in lost))


def _from_clear(mag: Sequence[float], noise: float) -> list[float]:
    """Reckon from the clearest twentieth of the night, by more frames than one."""
    clear = quantile(_smoothed(mag), CLEAR_QUANTILE) + CLEAR_SIGMAS * noise
    return [m - clear for m in mag]


def _smoothed(values: Sequence[float]) -> list[float]:
    half = SMOOTHED // 2
    return [median(values[max(n - half, 0) : n + half + 1]) for n in range(len(values))]


def _spells(line: Sequence[_Lost]) -> Iterator[list[_Lost]]:
    current: list[_Lost] = []
    for lost in (x for x in line if x.share >= LOST):
        if current and lost.light.start - current[-1].light.end > timedelta(seconds=HOLE_S):
            yield from _long(current)
            current = []
        current.append(lost)
    yield from _long(current)


def _long(spell: list[_Lost]) -> list[list[_Lost]]:
    if len(spell) < LEAST_FRAMES:
        return []
    seconds = (spell[-1].light.end - spell[0].light.start).total_seconds()
    whole = mean(x.share for x in spell)
    return [spell] if seconds >= LEAST_S and whole >= LOST_ON_THE_WHOLE else []
