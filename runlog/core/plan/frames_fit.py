"""Which frames fit: whole ones, within the times a target is up, none across a flip."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from runlog.core.plan.cadence import Cadence

SECOND = 1 / 86400.0
DEGREES_A_DAY = 360.98564736629
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Turn:
    """The mount's flip in a night, in days: no frame runs into it, the next one starts after it."""

    start: float
    resume: float


def turn_of(transit: float | None, cadence: Cadence) -> Turn | None:
    """Give when the mount turns over on a target; None when it does not."""
    flip = cadence.flip
    if transit is None or flip is None:
        return None
    start = transit + flip.from_deg / DEGREES_A_DAY
    return Turn(start, transit + flip.until_deg / DEGREES_A_DAY + flip.turn_s * SECOND)


def starts(
    begin: float, stop: float, spans: Sequence[Span], turn: Turn | None, times: tuple[float, float]
) -> Iterator[float]:
    """Give the starts of frames, in days.

    Parameters
    ----------
    begin : when the shutter may open first.
    stop : no frame begins later than half a frame before it.
    spans : when frames may be open, in order.
    times : a frame's length and what is lost to the next, in seconds.
    """
    length, step = times[0] * SECOND, (times[0] + times[1]) * SECOND
    now = begin
    for start, end in spans:
        now = max(now, start)
        while now + length <= end + 1e-9 and now + length / 2 <= stop:
            if turn is not None and turn.start < now + length and now < turn.resume:
                now = turn.resume
                continue
            yield now
            now += step


def common(spans: Sequence[Span], within: Span | None) -> list[Span]:
    """Cut spans to what lies within one."""
    if within is None:
        return []
    cut = [(max(a, within[0]), min(b, within[1])) for a, b in spans]
    return [(a, b) for a, b in cut if b > a]


def overlap(spans: Sequence[Span], a: float, b: float) -> float:
    """Give how much of a slot lies in spans, in days."""
    return sum(max(min(b, end) - max(a, start), 0.0) for start, end in spans)


def without(spans: Sequence[Span], turn: Turn | None) -> list[Span]:
    """Take the flip out of spans."""
    if turn is None or turn.resume <= turn.start:
        return list(spans)
    left = [(a, min(b, turn.start)) for a, b in spans]
    right = [(max(a, turn.resume), b) for a, b in spans]
    return sorted((a, b) for a, b in (*left, *right) if b > a)
