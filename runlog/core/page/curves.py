"""Values by night: how a picture grew, how a rig did over a season."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from itertools import pairwise
from typing import Any

from runlog.core.charts import axis_of
from runlog.core.page.drawn import SHAPES, Drawing, Point, polyline

Values = Mapping[str, Any]
LOOKS = (
    ("line-1", "keep"),
    ("line-2", "doubtful"),
    ("line-3", "ungraded"),
    ("line-4", "reject"),
)  # the line's look, and the shape on it
TICKS = 4


def growth_block(
    rows: Sequence[Values], goals: Mapping[str, float | None]
) -> dict[str, Any] | None:
    """Lay out kept hours so far by filter; None before there are two nights."""
    curves: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row["night"]:
            point = {"night": row["night"], "value": row["kept_so_far_s"] / 3600}
            curves.setdefault(row["filter"], []).append(point)
    nights = sorted({point["night"] for points in curves.values() for point in points})
    if len(nights) < 2:
        return None
    ends = ", ".join(f"{name} {points[-1]['value']:.1f} h" for name, points in curves.items())
    return {
        "block": "growth",
        "heading": "How it grew: hours kept",
        "kind": "curves",
        "said": f"Hours kept from {nights[0]} to {nights[-1]}, by filter: {ends}.",
        "unit": "h",
        "steps": True,
        "curves": [
            {"name": name, "points": points, "goal": _hours(goals.get(name))}
            for name, points in curves.items()
        ],
    }


def _hours(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 3600


def series_block(name: str, label: str, said: str, points: Sequence[Values]) -> dict[str, Any]:
    """Lay out one number a night."""
    return {
        "block": name,
        "heading": label,
        "kind": "curves",
        "said": said,
        "unit": "",
        "steps": False,
        "curves": [{"name": "", "points": list(points), "goal": None}],
    }


def draw(block: Values, width: float, height: float) -> Drawing:
    """Draw the curves of a block over its nights."""
    left, right, top = 34.0, 54.0 if block["steps"] else 6.0, 8.0
    on = Drawing(width, height)
    nights = sorted({p["night"] for curve in block["curves"] for p in curve["points"]})
    values = [p["value"] for curve in block["curves"] for p in curve["points"]]
    if block["steps"]:
        values = [0.0, *values, *(c["goal"] for c in block["curves"] if c["goal"] is not None)]
    axis = axis_of(values, may_cut=False)
    x, foot = _days(nights, left, width - right), height - 16

    def y(value: float) -> float:
        return top + (foot - top) * (1 - axis.level(value))

    ticks = list(axis.ticks())
    for value, words in ticks[:: max(1, -(-(len(ticks) - 1) // TICKS))]:
        on.line("grid", (left, y(value)), (width - right, y(value)))
        on.text("tick", left - 4, y(value) + 3, words)
    on.line("axis", (left, foot), (width - right, foot))
    for night, place in ((nights[0], "start"), (nights[-1], "end")):
        if night != nights[0] or place == "start":
            on.text(f"date-{place}", x(night), foot + 12, night)
    taken: list[float] = []
    for number, curve in enumerate(block["curves"]):
        _curve(on, block, curve, LOOKS[number % len(LOOKS)], x, y, width - right, taken)
    return on


def _curve(
    on: Drawing,
    block: Values,
    curve: Values,
    look: tuple[str, str],
    x: Callable[[str], float],
    y: Callable[[float], float],
    edge: float,
    taken: list[float],
) -> None:
    line, shape = look
    points = [(x(p["night"]), y(p["value"])) for p in curve["points"]]
    level = [*_stepped(points), (edge, points[-1][1])] if block["steps"] else points
    on.path(line, polyline(level))
    on.path(f"{line} dot", SHAPES[shape](points, 2.2))
    if not block["steps"]:
        return
    at = points[-1][1] + 3
    while any(abs(at - other) < 10 for other in taken):
        at -= 10
    taken.append(at)
    on.text("end", edge + 6, at, curve["name"][:9])
    if curve["goal"] is not None:
        at = y(curve["goal"])
        on.path("limit", polyline([(edge - 14, at), (edge + 4, at)]))
        on.text("goal-name", edge - 18, at + 3, f"goal {curve['name']}")


def _stepped(points: Sequence[Point]) -> list[Point]:
    """Go level to the next night, then up: nothing is kept by day."""
    found = list(points[:1])
    for before, after in pairwise(points):
        found += [(after[0], before[1]), after]
    return found


def _days(nights: Sequence[str], left: float, right: float) -> Callable[[str], float]:
    first, last = (date.fromisoformat(nights[n]).toordinal() for n in (0, -1))
    span = max(last - first, 1)

    def place(night: str) -> float:
        return (
            left + 4 + (right - left - 8) * (date.fromisoformat(night).toordinal() - first) / span
        )

    return place
