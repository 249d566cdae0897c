"""A series as one short row of signs, in order of date."""

from collections.abc import Sequence
from datetime import date
from statistics import median

from runlog.core.charts import EIGHTHS

WIDTH = 24


def sparkline(points: Sequence[tuple[str, float]], width: int = WIDTH) -> str:
    """Draw (night, value) pairs: a cell holds the median of its days, and is blank where none is.

    A series that never changes is drawn at half height.
    """
    if not points:
        return ""
    cells = _cells(points, width)
    known = [value for value in cells if value is not None]
    low, high = min(known), max(known)
    return "".join(" " if v is None else _sign(v, low, high) for v in cells)


def _cells(points: Sequence[tuple[str, float]], width: int) -> list[float | None]:
    days = [date.fromisoformat(night).toordinal() for night, _ in points]
    first, span = min(days), max(days) - min(days) + 1
    count = min(width, span)
    held: list[list[float]] = [[] for _ in range(count)]
    for day, (_, value) in zip(days, points, strict=True):
        held[(day - first) * count // span].append(value)
    return [median(values) if values else None for values in held]


def _sign(value: float, low: float, high: float) -> str:
    if high <= low:
        return EIGHTHS[3]
    return EIGHTHS[round((value - low) / (high - low) * (len(EIGHTHS) - 1))]
