"""Marks of a drawing: what a template writes as elements of an SVG, placed to a tenth."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

Point = tuple[float, float]


class Mark(NamedTuple):
    """One element: its name, its attributes, its text."""

    tag: str
    attributes: tuple[tuple[str, str], ...]
    text: str = ""


@dataclass(slots=True)
class Drawing:
    """A drawing of some size and what is on it, the lowest first."""

    width: float
    height: float
    marks: list[Mark] = field(default_factory=list)
    lanes: int = 0  # of events above each other

    def rect(self, look: str, x: float, y: float, width: float, height: float) -> None:
        """Fill a rectangle."""
        self._add("rect", look, x=n(x), y=n(y), width=n(max(width, 0)), height=n(max(height, 0)))

    def line(self, look: str, a: Point, b: Point) -> None:
        """Draw a straight line."""
        self._add("path", look, d=f"M{n(a[0])} {n(a[1])}L{n(b[0])} {n(b[1])}")

    def path(self, look: str, d: str) -> None:
        """Draw what a path says; nothing for an empty one."""
        if d:
            self._add("path", look, d=d)

    def text(self, look: str, x: float, y: float, words: str) -> None:
        """Write words with their foot at (x, y)."""
        self.marks.append(Mark("text", (("class", look), ("x", n(x)), ("y", n(y))), words))

    def _add(self, tag: str, look: str, **attributes: str) -> None:
        self.marks.append(Mark(tag, (("class", look), *attributes.items())))


def n(value: float) -> str:
    """Write a coordinate to a tenth, as short as can be."""
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


# --- shapes, so that no meaning rests on colour alone -----------------------------------------


def circles(points: Iterable[Point], r: float) -> str:
    """Draw a circle at each point, as one path."""
    bow = f"a{n(r)} {n(r)} 0 1 0"
    return "".join(f"M{n(x - r)} {n(y)}{bow} {n(2 * r)} 0{bow} {n(-2 * r)} 0" for x, y in points)


def triangles(points: Iterable[Point], r: float) -> str:
    """Draw a triangle that stands on its side at each point."""
    side = 1.15 * r
    return "".join(
        f"M{n(x)} {n(y - 1.2 * r)}l{n(side)} {n(2 * r)}h{n(-2 * side)}z" for x, y in points
    )


def crosses(points: Iterable[Point], r: float) -> str:
    """Draw a cross at each point."""
    d, back = n(2 * r), n(-2 * r)
    return "".join(f"M{n(x - r)} {n(y - r)}l{d} {d}m{back} 0l{d} {back}" for x, y in points)


def squares(points: Iterable[Point], r: float) -> str:
    """Draw a square at each point."""
    d, back = n(2 * r), n(-2 * r)
    return "".join(f"M{n(x - r)} {n(y - r)}h{d}v{d}h{back}z" for x, y in points)


SHAPES = {"keep": circles, "doubtful": triangles, "reject": crosses, "ungraded": squares}


def polyline(points: Sequence[Point]) -> str:
    """Join points by straight lines."""
    return "M" + "L".join(f"{n(x)} {n(y)}" for x, y in points) if len(points) > 1 else ""
