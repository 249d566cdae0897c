"""Draw a night's time line from its published values, wide for paper and narrow for a phone."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from runlog.core.page.drawn import SHAPES, Drawing, Point, polyline

Values = Mapping[str, Any]
Level = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Format:
    """Measures of a drawing, in its own units."""

    width: float
    left: float  # for the names of values
    panel: float  # height of a plot
    mark: float  # half size of a frame's mark
    hours: int  # marks on the axis at most


WIDE = Format(760.0, 40.0, 40.0, 2.1, 14)
NARROW = Format(360.0, 34.0, 50.0, 2.0, 6)
RIGHT = 8.0
GAP = 17.0  # above a plot, where its name stands
LANE, TICK = 13.0, 4.0
SKY, NO_MOON = 34.0, 8.0
SHOWN_TICKS = 3


def draw(block: Values, form: Format) -> Drawing:
    """Draw the block `time-line`."""
    return _Night(block, form).drawn()


class _Night:
    def __init__(self, block: Values, form: Format) -> None:
        self.block, self.form = block, form
        self.start = _time(block["start_utc"])
        self.seconds = (_time(block["end_utc"]) - self.start).total_seconds() or 1.0
        self.lanes = list(_lanes(block["events"], self.x, LANE + 1))
        self.sky = SKY if any(at["alt_deg"] > 0 for at in block["moon"]) else NO_MOON
        lanes = max((lane for *_, lane in self.lanes), default=0)
        self.top = self.sky + 16 + LANE * lanes
        self.frames_at = self.top + LANE + 2
        self.plots_at = self.frames_at + LANE + 2
        panels = len(block["panels"])
        self.foot = self.plots_at + panels * (form.panel + GAP) + 4
        self.on = Drawing(form.width, self.foot + 16, lanes=lanes)

    def x(self, moment: str) -> float:
        """Place a moment."""
        share = (_time(moment) - self.start).total_seconds() / self.seconds
        return self.form.left + share * (self.form.width - self.form.left - RIGHT)

    def drawn(self) -> Drawing:
        self._sky()
        self._hours()
        self._events()
        self._frames()
        for place, panel in enumerate(self.block["panels"]):
            self._panel(panel, self.plots_at + place * (self.form.panel + GAP) + GAP)
        return self.on

    def _sky(self) -> None:
        dark = self.block["dark"]
        if dark:
            first, last = self.x(dark["start_utc"]), self.x(dark["end_utc"])
            self.on.rect("night", first, 0, last - first, self.foot)
            self.on.text("quiet", first + 4, 10, "dark")
        points = [
            (self.x(at["at_utc"]), self.sky + 8 - self.sky * min(at["alt_deg"], 90.0) / 90)
            for at in self.block["moon"]
        ]
        up = list(_above(points, self.sky + 8))
        for part in up:
            floor = f"L{part[-1][0]:.1f} {self.sky + 8}L{part[0][0]:.1f} {self.sky + 8}z"
            self.on.path("moonlit", polyline(part) + floor)
            self.on.path("moon", polyline(part))
        if up:
            x, y = min(up[0] + up[-1], key=lambda p: p[1])
            self.on.text("moon-name", min(x, self.form.width - 40), max(y - 3, 10), "Moon")

    def _hours(self) -> None:
        every = max(1, -(-len(self.block["hours"]) // self.form.hours))
        for number, hour in enumerate(self.block["hours"]):
            x = self.x(hour["at_utc"])
            self.on.line("grid", (x, 14), (x, self.foot))
            if number % every == 0:
                self.on.text("hour", x, self.foot + 12, hour["label"])
        edge = self.form.width - RIGHT
        self.on.line("axis", (self.form.left, self.foot), (edge, self.foot))

    def _events(self) -> None:
        for event, first, last, lane in self.lanes:
            y = self.top - LANE * lane
            if last - first > LANE:
                self.on.line("span", (first, y), (last, y))
            x = (first + last) / 2
            self.on.path("event", SHAPES["keep"]([(x, y)], 5.6))
            self.on.text("event-number", x, y + 2.9, str(event["no"]))

    def _frames(self) -> None:
        y = self.frames_at
        self.on.text("tick", self.form.left - 4, y + 8, "frames")
        parts: dict[str, str] = {}
        for frame in self.block["frames"]:
            x = self.x(frame["at_utc"])
            scale = (self.form.width - self.form.left - RIGHT) / self.seconds
            width = max((frame["length_s"] or 0.0) * scale - 0.4, 0.8)
            grade = frame["grade"]
            high, low = (0.0, 10.0) if grade == "keep" else (3.0, 7.0)
            part = f"M{x:.1f} {y + high:.1f}h{width:.1f}v{low - high:.1f}h{-width:.1f}z"
            parts[grade] = parts.get(grade, "") + part
        for grade, path in parts.items():
            self.on.path(f"bar {grade}", path)

    def _panel(self, panel: Values, y: float) -> None:
        on, form = self.on, self.form
        level = _level(panel, y, form.panel)
        on.text("name", form.left, y - 4, panel["name"])
        ticks = panel["ticks"]
        every = max(1, -(-(len(ticks) - 1) // (SHOWN_TICKS - 1)))
        for tick in ticks[::every]:
            at = level(tick["value"])
            on.line("grid", (form.left, at), (form.width - RIGHT, at))
            on.text("tick", form.left - 4, at + 3, tick["label"])
        xs = [self.x(frame["at_utc"]) for frame in self.block["frames"]]
        for limit in panel["limits"]:
            for part in _joined(xs, limit["values"], panel, level):
                on.path("limit", polyline(part))
        placed: dict[str, list[Point]] = {}
        for x, value, frame in zip(xs, panel["values"], self.block["frames"], strict=True):
            if value is not None:
                placed.setdefault(frame["grade"], []).append((x, level(value)))
        for grade in ("keep", "ungraded", "doubtful", "reject"):
            if grade in placed:
                size = form.mark * (1.0 if grade == "keep" else 1.35)
                on.path(grade, SHAPES[grade](placed[grade], size))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _level(panel: Values, y: float, height: float) -> Level:
    low, high = float(panel["low"]), float(panel["high"])

    def level(value: float) -> float:
        share = (min(max(value, low), high) - low) / (high - low)
        return y + height * (1 - share)

    return level


def _joined(
    xs: Sequence[float], values: Sequence[float | None], panel: Values, level: Level
) -> Iterator[list[Point]]:
    """Join values that follow each other; what lies off the plot is not drawn at its edge."""
    part: list[Point] = []
    for x, value in zip(xs, values, strict=True):
        if value is not None and panel["low"] <= value <= panel["high"]:
            part.append((x, level(value)))
        elif part:
            yield part
            part = []
    yield part


def _above(points: Sequence[Point], floor: float) -> Iterator[list[Point]]:
    """Cut a curve where it sinks below a floor (y grows downwards)."""
    part: list[Point] = []
    for point, following in zip(points, [*points, None][1:], strict=True):
        if point[1] <= floor:
            part.append(point)
        if following and (point[1] <= floor) != (following[1] <= floor):
            share = (floor - point[1]) / (following[1] - point[1])
            part.append((point[0] + share * (following[0] - point[0]), floor))
            if following[1] > floor:
                yield part
                part = []
    if len(part) > 1:
        yield part


def _lanes(events: Sequence[Values], place: Callable[[str], float], apart: float) -> Iterator[Any]:
    """Put each event's number on the lowest lane where it has room."""
    taken: list[float] = []
    for event in events:
        first, last = place(event["start_utc"]), place(event["end_utc"])
        if event["moment"]:
            last = first
        middle = (first + last) / 2
        begin, end = min(first, middle - apart / 2), max(last, middle + apart / 2)
        lane = next((n for n, until in enumerate(taken) if until <= begin), len(taken))
        taken[lane:] = [end] if lane == len(taken) else [end, *taken[lane + 1 :]]
        yield event, first, last, lane
