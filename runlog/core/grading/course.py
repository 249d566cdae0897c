"""How focus went over a run, through all filters: each filter's own offset taken out.

In a sequence that changes filters with every frame, a drift is in each filter's usual as well. The
frames of the other filters, just before and after, tell what is the filter's and what the hour's.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import exp, log
from statistics import median

from runlog.core.frame import Frame
from runlog.core.grading.baseline import (
    ELONGATED,
    ENOUGH,
    FLOOR_SHARE,
    by_group,
    clearest,
    light_group,
    low,
    profile,
    width_at,
    width_at_zenith,
)

FEWEST = 8  # frames; of fewer no course can be told
FEWEST_STARS = 5
NEAR = 12  # frames in which one of a filter lies between two of another
ALIKE = 0.2  # in width: two that differ by more have a new focus or another block between them
IN_FOCUS = 0.06  # share of the frames that even a night of drifts has in focus
LIKE_THE_BEST = 0.05  # in width: frames so little wider are in focus as well
CLEAR = 0.96  # of the light of clear frames: dew, fog and cloud give narrow stars wings
# A mean picture of few stars is cut off and noisy: in focus it reads up to 8 % low (drawn stars of
# beta 3), so that only plain discs and rings are taken from one.
BY_MOMENTS = 0.5
# How much faster the width grows than the profile falls, in logarithms, as a disc grows in a star:
# 2.3 to 3.4 (Moffat of beta 3 and 4, discs and rings, up to twice as wide; tests/core/grading/
# test_course.py draws them).
STEEPER = 2.5
STEEPER_LEAST, STEEPER_MOST = 2.0, 4.0
PLAIN_WIDTH, PLAIN_PROFILE = 0.25, -0.06  # a frame so far out of focus shows it
SINGLE_OFF = 0.05  # a frame may be in better focus than its neighbours by this, by its noise


@dataclass(frozen=True, slots=True)
class Focus:
    """One frame's focus against the run in focus, by itself and the frames beside it."""

    times: float  # as wide as in focus, by width and profile
    usual_px: float  # width in focus in its filter, at its airmass
    change: float  # of the profile (half-flux radius over FWHM), a share: less when out of focus
    usual_profile: float  # half-flux radius over FWHM in focus in its filter
    several: bool  # other filters helped to tell


@dataclass(frozen=True, slots=True)
class _Point:
    """A frame on the course: logarithms of its width at airmass 1 and of its profile."""

    frame: Frame
    time_s: float
    filter: str
    width: float
    profile: float
    clear: bool  # as much light as clear frames have, as far as is known


@dataclass(frozen=True, slots=True)
class _Offset:
    width: float = 0.0
    profile: float = 0.0


def courses(frames: Sequence[Frame]) -> Mapping[str, Focus]:
    """Follow the focus through a run's frames; by key, for those that tell it."""
    found: dict[str, Focus] = {}
    for binning in sorted({f.header.binning_x for f in frames}):
        alike = [f for f in frames if f.header.binning_x == binning]
        floor_px = FLOOR_SHARE * (low(f.measurement.fwhm_px for f in alike) or 0.0)
        for points, offsets in _tied(_points(alike, floor_px)):
            found.update(_followed(points, offsets, floor_px))
    return found


def _points(frames: Sequence[Frame], floor_px: float) -> list[_Point]:
    """Take the frames whose width and profile are the focus's, in order of time."""
    points, light = [], _clear_light(frames)
    for frame in frames:
        flat, width, at = profile(frame), frame.measurement.fwhm_px, frame.header.taken_at_utc
        if not flat or not width or at is None or not _tells(frame, flat):
            continue
        zenith = width_at_zenith(width, floor_px, frame.context.airmass)
        name, left = frame.context.filter, frame.placement.transparency
        clear = left is None or left >= CLEAR * light.get(light_group(frame), 0.0)
        points.append(_Point(frame, at.timestamp(), name, log(zenith), log(flat), clear))
    return sorted(points, key=lambda p: (p.time_s, p.frame.key))


def _clear_light(frames: Sequence[Frame]) -> Mapping[tuple[object, ...], float]:
    """Give the light of clear frames, by field and filter; not where too few tell."""
    found = by_group(
        frames, light_group, lambda alike: clearest(f.placement.transparency for f in alike)
    )
    return {group: light for group, light in found.items() if light is not None}


def _tells(frame: Frame, flat: float) -> bool:
    """Leave out what a trail, a second image or want of stars made of a frame."""
    got = frame.measurement
    if (got.eccentricity or 0.0) >= ELONGATED or got.doubled_share is not None:
        return False
    picture = got.width_from == "moments" and flat > BY_MOMENTS
    return not picture and (got.stars or 0) >= FEWEST_STARS


# --- filters --------------------------------------------------------------------------------


def _tied(points: Sequence[_Point]) -> Iterator[tuple[list[_Point], dict[str, _Offset]]]:
    """Split points into those whose filters were taken in turn, with each filter's offset."""
    left = list(points)
    while left:
        names = [p.filter for p in left]
        main = min(set(names), key=lambda name: (-names.count(name), name))
        offsets = {main: _Offset()}
        for name in sorted(set(names) - {main}):
            own = _offset(left, name, main)
            if own is not None:
                offsets[name] = own
        yield [p for p in left if p.filter in offsets], offsets
        left = [p for p in left if p.filter not in offsets]


def _offset(points: Sequence[_Point], name: str, main: str) -> _Offset | None:
    """Give a filter's offset from another by frames of one between two of the other.

    Between them the course is a straight line, so that a drift takes no part in it.
    """
    pairs = [*_between(points, name, main, 1.0), *_between(points, main, name, -1.0)]
    if len(pairs) < ENOUGH:
        return None
    return _Offset(median(w for w, _ in pairs), median(p for _, p in pairs))


def _between(
    points: Sequence[_Point], inner: str, outer: str, sign: float
) -> Iterator[tuple[float, float]]:
    """Give how a filter's frames differ from the other's beside them.

    Only where the two beside it are near and alike: a block of frames ends, as often as not, with a
    new focus, and half of that step would pass for the filter's.
    """
    for n, point in enumerate(points):
        if point.filter != inner:
            continue
        first = next(
            (m for m in range(n - 1, max(n - NEAR, -1), -1) if points[m].filter == outer), None
        )
        last = next(
            (m for m in range(n + 1, min(n + NEAR, len(points))) if points[m].filter == outer), None
        )
        if first is None or last is None or last - first > NEAR:
            continue
        before, after = points[first], points[last]
        if abs(after.width - before.width) > ALIKE:
            continue
        share = (point.time_s - before.time_s) / ((after.time_s - before.time_s) or 1.0)
        width = before.width + share * (after.width - before.width)
        flat = before.profile + share * (after.profile - before.profile)
        yield sign * (point.width - width), sign * (point.profile - flat)


# --- the course -----------------------------------------------------------------------------


def _followed(
    points: Sequence[_Point], offsets: Mapping[str, _Offset], floor_px: float
) -> Iterator[tuple[str, Focus]]:
    if len(points) < FEWEST:
        return
    widths, profiles = _beyond_focus(
        [p.width - offsets[p.filter].width for p in points],
        [p.profile - offsets[p.filter].profile for p in points],
        [p.clear for p in points],
    )
    steeper = _steeper(widths, profiles)
    out = [(w - steeper * p) / 2 for w, p in zip(widths, profiles, strict=True)]
    smooth, flatter = _smooth(out), _smooth(profiles)
    for n, point in enumerate(points):
        zenith_px = exp(point.width - widths[n])
        yield (
            point.frame.key,
            Focus(
                times=exp(min(smooth[n], out[n] + SINGLE_OFF)),
                usual_px=width_at(zenith_px, floor_px, point.frame.context.airmass),
                change=exp(flatter[n]) - 1,
                usual_profile=exp(point.profile - profiles[n]),
                several=len(offsets) > 1,
            ),
        )


def _beyond_focus(
    widths: Sequence[float], profiles: Sequence[float], clear: Sequence[bool]
) -> tuple[list[float], list[float]]:
    """Take out of widths and profiles what they are in focus, by the narrow frames."""
    every = list(zip(_smooth(widths), _smooth(profiles), strict=True))
    told = [both for both, bright in zip(every, clear, strict=True) if bright]
    told = sorted(told if len(told) >= FEWEST else every)
    narrow = told[int(IN_FOCUS * (len(told) - 1))][0]
    usual = median(p for w, p in told if w <= narrow + LIKE_THE_BEST)
    return [w - narrow for w in widths], [p - usual for p in profiles]


def _steeper(widths: Sequence[float], profiles: Sequence[float]) -> float:
    """Find how width and profile go together in frames that are plainly out of focus."""
    plain = [
        -w / p
        for w, p in zip(widths, profiles, strict=True)
        if w > PLAIN_WIDTH and p < PLAIN_PROFILE
    ]
    found = median(plain) if len(plain) >= ENOUGH else STEEPER
    return min(max(found, STEEPER_LEAST), STEEPER_MOST)


def _smooth(values: Sequence[float]) -> list[float]:
    """Medians of three in time; at the ends of two."""
    return [median(values[max(n - 1, 0) : n + 2]) for n in range(len(values))]
