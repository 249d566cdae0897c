"""Axes with round, distinct numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from statistics import median

ROUND = (1, 2, 5, 10)
STEPS = 6  # about so many from bottom to top, so that rounding wastes little room
WILD = 4.0  # times the middle value: what lies beyond is drawn at the edge
SLACK = 1e-6  # of a step: 0.3 / 0.1 is a little less than 3


@dataclass(frozen=True, slots=True)
class Axis:
    """From `first` to `last` whole steps."""

    step: float
    first: int
    last: int
    cut: bool = False  # values above the top are drawn at it

    def level(self, value: float) -> float:
        """Place a value between 0, the bottom, and 1, the top."""
        low, high = self.first * self.step, self.last * self.step
        return (min(max(value, low), high) - low) / (high - low)

    def ticks(self) -> Iterator[tuple[float, str]]:
        """List (value, words) from bottom to top; no two are written alike."""
        digits = max(0, -floor(log10(self.step) + SLACK))
        for n in range(self.first, self.last + 1):
            words = f"{n * self.step:.{digits}f}"
            yield n * self.step, f"≥{words}" if self.cut and n == self.last else words


def axis_of(values: Sequence[float], may_cut: bool = True, least: float = 0.0) -> Axis:
    """Span the values, and `least` in all; a few wild ones are cut so that the rest show."""
    middle, top = median(values), max(values)
    cut = may_cut and middle > 0 and top > middle * WILD
    low, high = min(values), middle * WILD if cut else top
    wider = max(least - (high - low), 0.0) / 2
    low, high = low - wider, high + wider
    step = _round_up((high - low) / STEPS or abs(low) / 100 or 1.0)
    first, last = floor(low / step + SLACK), ceil(high / step - SLACK)
    if first == last:
        first, last = first - 1, last + 1
    return Axis(step, max(first, 0) if min(values) >= 0 else first, last, cut)


def _round_up(number: float) -> float:
    size = 10.0 ** floor(log10(number))
    return next(size * factor for factor in ROUND if size * factor >= number * (1 - SLACK))
