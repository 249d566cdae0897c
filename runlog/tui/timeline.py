"""The time line of a night: measures over UTC, with grades, faults and events drawn on it."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual.events import Click
from textual.geometry import Size
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from runlog.core.frame import Frame
from runlog.tui.axis import Axis, axis_of
from runlog.tui.look import SIGNS
from runlog.tui.session import Session
from runlog.tui.text import fitted, styled

MARGIN = 9  # cells left of the plot, for names and values
RIGHT = 6  # cells right of it, where a second measure has its values
QUARTERS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"  # by bits: 1 above left, 2 above right, 4 below left, 8 below right
PANEL_LEAST = 3
STEADY = 0.2  # of the usual: light and sky of a clear night stay within it
EVENTS_FROM = 4  # a chart higher than this has room for a line of events
WORST = ("reject", "doubtful", "ungraded", "keep")


@dataclass(frozen=True, slots=True)
class Span:
    """An event on the time line."""

    kind: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Panel:
    """One measure: its name, how to get it, how to write it."""

    name: str
    value: Callable[[Frame], float | None]
    relative: bool = False  # to what is usual for the frame's target, filter and length
    beside: Callable[[Frame], float | None] | None = None  # on the axis at the right
    cut: bool = True  # a few wild values may be drawn at the edge
    least: float = 0.0  # span of the axis: less than this is no news, and must not look like any


def _flux_rate(line: Frame) -> float | None:
    if line.measurement.ranked_flux_adu is None or not line.header.exposure_s:
        return None
    return line.measurement.ranked_flux_adu / line.header.exposure_s


TRANSPARENCY = Panel("transp.", lambda line: line.placement.transparency, least=STEADY)
# Where there is no reference to compare with.
FLUX = Panel("flux ×", _flux_rate, relative=True, least=STEADY)
FOCUSER = Panel(
    "focuser", lambda line: line.header.focus_pos, beside=lambda line: line.header.focus_c
)
FOCUS_C = Panel("focus °C", lambda line: line.header.focus_c)
PANELS = (
    Panel("FWHM px", lambda line: line.measurement.fwhm_px),
    Panel("ecc.", lambda line: line.measurement.eccentricity, cut=False),
    Panel("sky ×", lambda line: line.measurement.background_adu, relative=True, least=STEADY),
    TRANSPARENCY,
    FLUX,
    FOCUSER,
    FOCUS_C,
)


def panels_of(lines: Sequence[Frame]) -> list[Panel]:
    """Choose the measures there are: each once, and temperature with the focuser's position."""
    known = {p.name: sum(p.value(line) is not None for line in lines) for p in PANELS}
    less = TRANSPARENCY if known[TRANSPARENCY.name] < known[FLUX.name] else FLUX
    left_out = {less.name} | ({FOCUS_C.name} if known[FOCUSER.name] else set())
    return [p for p in PANELS if known[p.name] and p.name not in left_out]


class Timeline(Widget, can_focus=False):
    """As many panels as fit, above one axis of hours."""

    class Pointed(Message):
        """A frame was clicked."""

        def __init__(self, at: int) -> None:
            super().__init__()
            self.at = at

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(**more)
        self.session = session
        self.lines: list[Frame] | None = None  # not loaded yet
        self.spans: tuple[Span, ...] = ()
        self.cursor: int | None = None
        self.chosen: int | None = None  # of the spans
        self._rows: list[Strip] = []
        self._drawn_for: tuple[object, ...] | None = None

    def show(self, lines: Sequence[Frame], spans: Sequence[Span]) -> None:
        """Draw a night; frames without a date have no place on it."""
        self.lines = [line for line in lines if line.header.taken_at_utc is not None]
        self.spans, self.chosen = tuple(spans), None
        self._drawn_for = None
        self.refresh()

    def wait(self) -> None:
        """Show nothing until a night comes."""
        self.lines = None
        self._drawn_for = None
        self.refresh()

    def point_at(self, at: int | None) -> None:
        """Put the cursor on a frame."""
        self.cursor = at
        self._drawn_for = None
        self.refresh()

    def choose(self, at: int | None) -> None:
        """Bring out one event."""
        self.chosen = at
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw on demand, once per size, data and colours."""
        look = self.session.look
        wanted = (self.size, look, id(self.lines), self.cursor, self.chosen)
        if wanted != self._drawn_for:
            self._drawn_for = wanted
            self._rows = [] if self.lines is None else _Drawing(self, self.size, look).rows()
        row = self._rows[y] if y < len(self._rows) else Strip([])
        return row.adjust_cell_length(self.size.width).apply_style(self.rich_style)

    def on_click(self, event: Click) -> None:
        """Point at the frame nearest in time."""
        if not self.lines or self._drawn_for is None:
            return
        drawing = _Drawing(self, self.size, self.session.look)
        columns = [drawing.column(line.header.taken_at_utc) for line in self.lines]
        nearest = min(range(len(columns)), key=lambda i: abs(columns[i] - (event.x - MARGIN)))
        self.post_message(self.Pointed(nearest))


class _Drawing:
    """One drawing of a time line at one size."""

    def __init__(self, owner: Timeline, size: Size, look: Any) -> None:
        self.lines, self.spans, self.cursor = owner.lines or [], owner.spans, owner.cursor
        self.size, self.look = size, look
        self.chosen = owner.spans[owner.chosen] if owner.chosen is not None else None
        self.has_events = size.height > EVENTS_FROM
        self.panels = self._share_out(size.height - self.has_events - 2)
        right = RIGHT if any(self._second(panel) for panel, _ in self.panels) else 0
        self.width = max(size.width - MARGIN - 1 - right, 4)
        if self.lines:
            starts = [line.header.taken_at_utc for line in self.lines if line.header.taken_at_utc]
            self.start = min(starts)
            last = max(starts) + timedelta(seconds=self.lines[-1].header.exposure_s or 0)
            self.seconds = max((last - self.start).total_seconds(), 60.0)

    def rows(self) -> list[Strip]:
        """Put events, panels, grades and hours under one another."""
        if not self.lines:
            return [Strip([Segment(fitted("  no dated light frame", self.size.width))])]
        rows = [self._events()] if self.has_events else []
        for panel, height in self.panels:
            rows += self._panel(panel, height)
        return [*rows, self._grades(), self._hours()]

    def column(self, moment: datetime | None) -> int:
        """Find the cell column of a moment."""
        assert moment is not None
        share = (moment - self.start).total_seconds() / self.seconds
        return min(max(int(share * self.width), 0), self.width - 1)

    def _share_out(self, height: int) -> list[tuple[Panel, int]]:
        """Give each measure that has values at least three rows; the first gets what is over."""
        panels = panels_of(self.lines)[: max(height // PANEL_LEAST, 1)]
        if not panels or height < 1:
            return []
        each = height // len(panels)
        return [(p, each + (height - each * len(panels)) * (i == 0)) for i, p in enumerate(panels)]

    # --- rows -----------------------------------------------------------------------------

    def _events(self) -> Strip:
        cells: list[tuple[str, Style]] = [(" ", Style())] * self.width
        taken = -1
        for span in self.spans:
            first, last = self.column(span.start), self.column(span.end)
            style = styled(self.look.accent, bold=True, reverse=span is self.chosen)
            if first <= taken:
                continue
            label = span.kind.replace("-", " ")
            first = max(min(first, self.width - len(label)), taken + 1)
            width = min(max(last - first + 1, len(label)), self.width - first)
            for i, letter in enumerate(fitted(label, width).replace(" ", "▁")):
                cells[first + i] = (letter, style)
            taken = first + width
        return self._strip("events", cells)

    def _panel(self, panel: Panel, height: int) -> list[Strip]:
        values = self._values(panel)
        axis = axis_of([v for v in values if v is not None], panel.cut, panel.least)
        dots: dict[tuple[int, int], int] = {}
        grades: dict[tuple[int, int], str] = {}
        for line, value in zip(self.lines, values, strict=True):
            if value is not None:
                x, y = self._dot_column(line), _dot_row(axis.level(value), height)
                cell = x // 2, y // 2
                dots[cell] = dots.get(cell, 0) | 1 << (x % 2 + 2 * (y % 2))
                grades[cell] = _worse(grades.get(cell), line.judgement.grade)
        labels, second = _labels(panel, axis, height), self._second(panel)
        degrees, right = self._degrees(second, height) if second else (set(), [""] * height)
        rows = []
        for y in range(height):
            cells = [
                self._cell(dots.get((x, y)), grades.get((x, y)), x, (x, y) in degrees)
                for x in range(self.width)
            ]
            tick = labels[y] and labels[y] != panel.name
            rows.append(self._strip(labels[y], cells, "┤" if tick else "│", right[y]))
        return rows

    def _second(self, panel: Panel) -> list[float | None]:
        """Find what is drawn over a panel, on the axis at its right, if anything is known."""
        values = [panel.beside(line) for line in self.lines] if panel.beside else []
        return values if any(v is not None for v in values) else []

    def _degrees(
        self, values: Sequence[float | None], height: int
    ) -> tuple[set[tuple[int, int]], list[str]]:
        axis = axis_of([v for v in values if v is not None])
        cells = {
            (self._dot_column(line) // 2, _dot_row(axis.level(value), height) // 2)
            for line, value in zip(self.lines, values, strict=True)
            if value is not None
        }
        return cells, [f"├{words}°C" if words else "" for words in _ticks(axis, height)]

    def _dot_column(self, line: Frame) -> int:
        assert line.header.taken_at_utc is not None
        share = (line.header.taken_at_utc - self.start).total_seconds() / self.seconds
        return min(int(share * self.width * 2), self.width * 2 - 1)

    def _cell(self, dots: int | None, grade: str | None, x: int, degree: bool) -> tuple[str, Style]:
        ground = self._ground(x)
        if dots is None and degree:
            return "°", Style(color=self.look.accent or None, bgcolor=ground)
        if dots is None or grade is None:
            return (" " if ground else "│" if x == self._cursor_column() else " "), Style(
                bgcolor=ground, color=self.look.accent or None)  # fmt: skip
        if grade == "keep":
            return QUARTERS[dots], Style(color=self.look.text or None, bgcolor=ground)
        return SIGNS[grade], Style(
            color=self.look.grade(grade) or None, bgcolor=ground, bold=True)  # fmt: skip

    def _ground(self, x: int) -> str | None:
        if not self.look.raised:
            return None
        if x == self._cursor_column():
            return str(self.look.cursor)
        if self.chosen and self.column(self.chosen.start) <= x <= self.column(self.chosen.end):
            return str(self.look.cursor)
        inside = any(self.column(s.start) <= x <= self.column(s.end) for s in self.spans)
        return str(self.look.raised) if inside else None

    def _cursor_column(self) -> int | None:
        if self.cursor is None or self.cursor >= len(self.lines):
            return None
        return self.column(self.lines[self.cursor].header.taken_at_utc)

    def _values(self, panel: Panel) -> list[float | None]:
        values = [panel.value(line) for line in self.lines]
        if not panel.relative:
            return values
        groups: dict[tuple[object, ...], list[float]] = {}
        for line, value in zip(self.lines, values, strict=True):
            if value is not None:
                groups.setdefault(_group(line), []).append(value)
        usual = {key: median(found) for key, found in groups.items()}
        return [
            value / usual[_group(line)] if value is not None and usual[_group(line)] else None
            for line, value in zip(self.lines, values, strict=True)
        ]

    def _grades(self) -> Strip:
        worst: dict[int, str] = {}
        for line in self.lines:
            x = self.column(line.header.taken_at_utc)
            worst[x] = _worse(worst.get(x), line.judgement.grade)
        cells = [
            (SIGNS[worst[x]], styled(self.look.grade(worst[x]), bold=worst[x] != "keep"))
            if x in worst
            else (" ", Style())
            for x in range(self.width)
        ]
        return self._strip("grade", cells)

    def _hours(self) -> Strip:
        step = next((s for s in (1, 2, 3, 4, 6) if self.seconds / 3600 / s * 7 < self.width), 12)
        moment = self.start.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        row = [" "] * self.width
        while (moment - self.start).total_seconds() < self.seconds:
            if moment.hour % step == 0:
                _write(row, self.column(moment), f"╵{moment:%H}h")
            moment += timedelta(hours=1)
        return self._strip("UTC", [(c, styled(self.look.quiet)) for c in row])

    def _strip(
        self, name: str, cells: Sequence[tuple[str, Style]], axis: str = " ", right: str = ""
    ) -> Strip:
        label = Segment(fitted(name, MARGIN - 1, right=True), styled(self.look.quiet))
        segments = [label, Segment(axis, styled(self.look.quiet))]
        for text, style in cells:
            if segments[-1].style == style:
                segments[-1] = Segment(segments[-1].text + text, style)
            else:
                segments.append(Segment(text, style))
        segments.append(Segment(right, styled(self.look.accent)))
        return Strip(segments).adjust_cell_length(self.size.width)


def _group(line: Frame) -> tuple[object, ...]:
    return line.context.target, line.context.filter, line.header.exposure_s


def _worse(one: str | None, other: str) -> str:
    return other if one is None or WORST.index(other) < WORST.index(one) else one


def _dot_row(level: float, height: int) -> int:
    """Find the half row, from above, of a level between 0 and 1."""
    return round((1 - level) * (height * 2 - 1))


def _labels(panel: Panel, axis: Axis, height: int) -> list[str]:
    """Write the name in the middle and round values where they belong, as far as there is room."""
    middle = height // 2
    labels = _ticks(axis, height, {middle})
    if height >= PANEL_LEAST or height == 1:
        labels[middle] = panel.name
    return labels


def _ticks(axis: Axis, height: int, taken: Collection[int] = ()) -> list[str]:
    ticks = list(axis.ticks())
    labels = [""] * height
    labels[0], labels[-1] = ticks[-1][1], ticks[0][1]
    for value, words in ticks[1:-1]:
        y = _dot_row(axis.level(value), height) // 2
        if not any(labels[near] or near in taken for near in (y - 1, y, min(y + 1, height - 1))):
            labels[y] = words
    return labels


def _write(row: list[str], at: int, text: str) -> None:
    if at + len(text) <= len(row):
        row[at : at + len(text)] = list(text)
