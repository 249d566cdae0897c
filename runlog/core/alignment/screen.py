"""Which nights surely show no axis that costs anything, told without the fit, whose import is long.

A field that turns by a sine of the hour angle turns, in its fastest half of any arc, at half its
greatest rate at least. What no stretch of the night shows no fit makes of it.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations
from math import hypot, radians

from runlog.core.frame import Frame
from runlog.core.stars.angles import half_turn_deg

COUNTS_PX = 0.1  # a third of what is worth a screwdriver: half for the sine, the rest for noise
LONGEST_H = 1.0  # of a stretch: an arc of many hours is no longer one bend


def may_cost(frames: Sequence[Frame]) -> bool:
    """Tell whether stars in a corner might trail by the axis; False is certain."""
    groups: dict[str, list[Frame]] = {}
    for frame in frames:
        known = frame.header.taken_at_utc is not None and frame.placement.rotation_deg is not None
        if known and frame.placement.matched_to is not None:
            groups.setdefault(frame.placement.matched_to, []).append(frame)
    return any(_trail_px(own) > COUNTS_PX for own in groups.values())


def _trail_px(frames: Sequence[Frame]) -> float:
    """Give the trail in a corner of the longest frame, at the fastest rate of any stretch."""
    corner_px = max(hypot(f.identity.width, f.identity.height) / 2 for f in frames)
    longest_h = max(f.header.exposure_s or 0.0 for f in frames) / 3600
    return radians(max(_rates_deg_h(frames), default=0.0)) * longest_h * corner_px


def _rates_deg_h(frames: Iterable[Frame]) -> Iterator[float]:
    told = sorted(
        (frame.header.taken_at_utc.timestamp() / 3600, frame.placement.rotation_deg)
        for frame in frames
        if frame.header.taken_at_utc is not None and frame.placement.rotation_deg is not None
    )
    if len(told) < 2:
        return
    stretch_h = min((told[-1][0] - told[0][0]) / 2, LONGEST_H)
    for (begin_h, before_deg), (end_h, after_deg) in combinations(told, 2):
        if end_h - begin_h >= stretch_h > 0:
            yield abs(half_turn_deg(after_deg - before_deg)) / (end_h - begin_h)
