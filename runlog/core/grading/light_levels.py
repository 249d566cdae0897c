"""Light that is lost at one level for long and is there again at once: no cloud does that."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import median

from runlog.core.frame import Frame
from runlog.core.grading.baseline import sky_rate_at_zenith
from runlog.core.grading.clear_view import HARDLY_LEFT, View
from runlog.core.grading.usual_light import OpenSky

LOST = 0.8  # of the light, at most: less of a loss is within what a clear night may do
WHOLE = 0.9  # of the light, right before and right after
ALIKE = 0.04  # of the level: nine frames of ten lie so near to it (common practice, no source)
ODD_SHARE = 0.1  # of the frames may lie elsewhere
LEAST_FRAMES, LEAST_S = 5, 2700.0
BESIDE = 3  # frames on either side that tell what the sky was like
SKY_RISE = 0.1  # of the sky: a layer of cloud near a town throws light back
LEVEL_RISE = 0.02  # of the background, where the camera's zero is not known


@dataclass(frozen=True, slots=True)
class Level:
    """A stretch of frames with the same share of the light."""

    share: float
    frames: int


@dataclass(frozen=True, slots=True)
class _Lit:
    frame: Frame
    share: float  # of the light its clear companions get
    sky: float | None  # against theirs
    rise: float  # of that, from which it is another sky


def light_levels(
    frames: Sequence[Frame], open_sky: OpenSky, lost: Mapping[str, View]
) -> dict[str, Level]:
    """Find the frames, by key, that lie in a stretch of light lost at one level.

    Filters in turn are followed together, each against its own usual. A stretch at an end of the
    run counts where its other end shows the light come or go at once. Frames behind a tree, which
    `lost` most stars on a side, tell nothing of the light.
    """
    hidden = {key for key, view in lost.items() if view.left < HARDLY_LEFT}
    lit = [x for f in frames if f.key not in hidden and (x := _lit(f, open_sky)) is not None]
    lit.sort(key=lambda x: (x.frame.context.target, x.frame.header.taken_at_utc, x.frame.key))
    found: dict[str, Level] = {}
    for _, of_target in groupby(lit, key=lambda x: x.frame.context.target):
        line = list(of_target)
        for first, last in _stretches(line):
            own = line[first:last]
            steps = _is_level(own) and _has_steps(line, first, last)
            if steps and not _brighter(line, first, last):
                level = Level(median(x.share for x in own), len(own))
                found |= {x.frame.key: level for x in own}
    return found


def _lit(frame: Frame, open_sky: OpenSky) -> _Lit | None:
    usual, dark = open_sky.light(frame), open_sky.count(frame)
    light = frame.placement.transparency
    if frame.header.taken_at_utc is None or light is None or not usual.transparency:
        return None
    sky, background = sky_rate_at_zenith(frame), frame.measurement.background_adu
    share = light / usual.transparency
    if sky is not None and usual.sky_adu_s:
        return _Lit(frame, share, sky / usual.sky_adu_s, SKY_RISE)
    known = background is not None and dark.background_adu
    return _Lit(frame, share, background / known if background and known else None, LEVEL_RISE)


def _stretches(line: Sequence[_Lit]) -> Iterator[tuple[int, int]]:
    """Give where light is lost, first and end; a frame caught by the step itself is left out."""
    start = 0
    for is_lost, group in groupby(line, key=lambda x: x.share <= LOST):
        end = start + sum(1 for _ in group)
        if is_lost:
            yield _trimmed(line, start, end)
        start = end


def _trimmed(line: Sequence[_Lit], first: int, last: int) -> tuple[int, int]:
    middle = median(x.share for x in line[first:last])
    if last - first <= 2:
        return first, last
    return first + _is_off(line[first], middle), last - _is_off(line[last - 1], middle)


def _is_off(lit: _Lit, level: float) -> bool:
    return abs(lit.share / level - 1) > ALIKE


def _is_level(own: Sequence[_Lit]) -> bool:
    if len(own) < LEAST_FRAMES:
        return False
    middle = median(x.share for x in own)
    odd = sum(_is_off(x, middle) for x in own)
    return _seconds(own) >= LEAST_S and odd <= ODD_SHARE * len(own)


def _seconds(own: Sequence[_Lit]) -> float:
    first, last = own[0].frame.header.taken_at_utc, own[-1].frame.header.taken_at_utc
    if first is None or last is None:
        return 0.0
    return (last - first).total_seconds() + (own[-1].frame.header.exposure_s or 0.0)


def _has_steps(line: Sequence[_Lit], first: int, last: int) -> bool:
    """Tell whether all of the light is there on both sides, as far as the run goes, at once."""
    before, after = line[max(first - 2, 0) : first], line[last : last + 2]
    sides = [[x.share for x in side] for side in (before, after) if side]
    return bool(sides) and all(max(side) >= WHOLE for side in sides)


def _brighter(line: Sequence[_Lit], first: int, last: int) -> bool:
    beside = [*line[max(first - BESIDE, 0) : first], *line[last : last + BESIDE]]
    there = [x.sky for x in beside if x.sky is not None]
    here = [x.sky for x in line[first:last] if x.sky is not None]
    if not there or not here:
        return False
    return median(here) > (1 + line[first].rise) * median(there)
