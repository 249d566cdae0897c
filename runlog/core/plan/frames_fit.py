"""Which frames fit: whole ones, within the times a target is up, none across a flip."""

from collections.abc import Iterable, Iterator, Sequence
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


def turns_of(transits: Iterable[float | None], cadence: Cadence) -> tuple[Turn, ...]:
    """Give when the mount turns over on a target, above the pole and below it; in order."""
    flip = cadence.flip
    if flip is None:
        return ()
    before, after = flip.from_deg / DEGREES_A_DAY, flip.until_deg / DEGREES_A_DAY
    found = (Turn(t + before, t + after + flip.turn_s * SECOND) for t in transits if t is not None)
    return tuple(sorted(found, key=lambda turn: turn.start))


def starts(
    begin: float,
    stop: float,
    spans: Sequence[Span],
    turns: Sequence[Turn],
    times: tuple[float, float],
) -> Iterator[float]:
    """Give the starts of frames, in days.

    Parameters
    ----------
    begin : when the shutter may open first.
    stop : no frame begins later than half a frame before it.
    spans : when frames may be open, in order.
    turns : when the mount turns over.
    times : a frame's length and what is lost to the next, in seconds.
    """
    length, step = times[0] * SECOND, (times[0] + times[1]) * SECOND
    now = begin
    for start, end in spans:
        now = max(now, start)
        while now + length <= end + 1e-9 and now + length / 2 <= stop:
            turn = next((t for t in turns if t.start < now + length and now < t.resume), None)
            if turn is not None:
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


def without(spans: Sequence[Span], turns: Sequence[Turn]) -> list[Span]:
    """Take the flips out of spans."""
    left = list(spans)
    for turn in turns:
        if turn.resume > turn.start:
            before = [(a, min(b, turn.start)) for a, b in left]
            after = [(max(a, turn.resume), b) for a, b in left]
            left = sorted((a, b) for a, b in (*before, *after) if b > a)
    return left
