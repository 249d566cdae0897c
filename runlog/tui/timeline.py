"""The time line of a night: measures over UTC, with grades, faults and events drawn on it."""

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual.events import Click
from textual.geometry import Size
from textual.message import Message
from textual.strip import Strip

from runlog.core.charts import Axis, Panel, Series, TimeLine
from runlog.core.frame import Grade
from runlog.core.times import IN_UTC, Zone
from runlog.tui.drawn_once import DrawnOnce
from runlog.tui.look import SIGNS, Look
from runlog.tui.session import Session
from runlog.tui.text import fitted, styled

MARGIN = 9  # cells left of the plot, for names and values
RIGHT = 6  # cells right of it, where a second measure has its values
HOUR_CELLS = 7  # from one hour to the next, at the least
QUARTERS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"  # by bits: 1 above left, 2 above right, 4 below left, 8 below right
PANEL_LEAST = 3
EVENTS_FROM = 4  # a chart higher than this has room for a line of events
WORST = (Grade.REJECT, Grade.DOUBTFUL, Grade.UNGRADED, Grade.KEEP)


class Timeline(DrawnOnce, can_focus=False):
    """As many panels as fit, above one axis of hours."""

    class Pointed(Message):
        """A frame was clicked."""

        def __init__(self, at: int) -> None:
            super().__init__()
            self.at = at

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.chart: TimeLine | None = None  # not loaded yet
        self.cursor: int | None = None
        self.chosen: int | None = None  # of the spans

    def show(self, chart: TimeLine) -> None:
        """Draw a night."""
        self.chart, self.chosen = chart, None
        self.draw_again()

    def wait(self) -> None:
        """Show nothing until a night comes."""
        self.chart = None
        self.draw_again()

    def point_at(self, at: int | None) -> None:
        """Put the cursor on a frame."""
        self.cursor = at
        self.draw_again()

    def choose(self, at: int | None) -> None:
        """Bring out one event."""
        self.chosen = at
        self.refresh()

    def drawn_for(self) -> tuple[object, ...]:
        """Draw again for another frame under the cursor and another event brought out."""
        return *super().drawn_for(), id(self.chart), self.cursor, self.chosen

    def drawn_rows(self) -> list[Strip]:
        """Draw the panels above their hours."""
        return [] if self.chart is None else self._drawing(self.chart).rows()

    def on_click(self, event: Click) -> None:
        """Point at the frame nearest in time."""
        if self.chart is None or not self.chart.moments or not self.is_drawn:
            return
        columns = list(map(self._drawing(self.chart).column, self.chart.moments))
        nearest = min(range(len(columns)), key=lambda i: abs(columns[i] - (event.x - MARGIN)))
        self.post_message(self.Pointed(nearest))

    def _drawing(self, chart: TimeLine) -> "_Drawing":
        look = self.session.look
        return _Drawing(chart, self.size, look, self.cursor, self.chosen, self.session.zone)


class _Drawing:
    """One drawing of a time line at one size."""

    def __init__(
        self,
        chart: TimeLine,
        size: Size,
        look: Look,
        cursor: int | None,
        chosen: int | None,
        zone: Zone = IN_UTC,
    ) -> None:
        self.chart, self.size, self.look, self.cursor = chart, size, look, cursor
        self.zone = zone
        self.chosen = None if chosen is None else chart.spans[chosen]
        self.has_events = size.height > EVENTS_FROM
        self.panels = self._share_out(size.height - self.has_events - 2)
        right = RIGHT if any(panel.beside for panel, _ in self.panels) else 0
        self.width = max(size.width - MARGIN - 1 - right, 4)

    def rows(self) -> list[Strip]:
        """Put events, panels, grades and hours under one another."""
        if not self.chart.moments:
            return [Strip([Segment(fitted("  no dated light frame", self.size.width))])]
        rows = [self._events()] if self.has_events else []
        for panel, height in self.panels:
            rows += self._panel(panel, height)
        return [*rows, self._grades(), self._hours()]

    def column(self, moment: datetime) -> int:
        """Find the cell column of a moment."""
        return min(max(int(self.chart.share(moment) * self.width), 0), self.width - 1)

    def _share_out(self, height: int) -> list[tuple[Panel, int]]:
        """Give each measure that has values at least three rows; the first gets what is over."""
        panels = self.chart.panels[: max(height // PANEL_LEAST, 1)]
        if not panels or height < 1:
            return []
        each = height // len(panels)
        return [(p, each + (height - each * len(panels)) * (i == 0)) for i, p in enumerate(panels)]

    # --- rows -----------------------------------------------------------------------------

    def _events(self) -> Strip:
        cells: list[tuple[str, Style]] = [(" ", Style())] * self.width
        taken = -1
        for span in self.chart.spans:
            first, last = self.column(span.start), self.column(span.end)
            style = styled(self.look.accent, bold=True, reverse=span is self.chosen)
            if first <= taken:
                continue
            first = max(min(first, self.width - len(span.label)), taken + 1)
            width = min(max(last - first + 1, len(span.label)), self.width - first)
            for i, letter in enumerate(fitted(span.label, width).replace(" ", "▁")):
                cells[first + i] = (letter, style)
            taken = first + width
        return self._strip("events", cells)

    def _panel(self, panel: Panel, height: int) -> list[Strip]:
        dots: dict[tuple[int, int], int] = {}
        grades: dict[tuple[int, int], Grade] = {}
        for at, x, y in self._dots(panel, height):
            cell = x // 2, y // 2
            dots[cell] = dots.get(cell, 0) | 1 << (x % 2 + 2 * (y % 2))
            grades[cell] = _worse(grades.get(cell), self.chart.grades[at])
        labels = _labels(panel, height)
        degrees, right = self._degrees(panel.beside, height)
        rows = []
        for y in range(height):
            cells = [
                self._cell(dots.get((x, y)), grades.get((x, y)), x, (x, y) in degrees)
                for x in range(self.width)
            ]
            tick = labels[y] and labels[y] != panel.name
            rows.append(self._strip(labels[y], cells, "┤" if tick else "│", right[y]))
        return rows

    def _degrees(
        self, beside: Series | None, height: int
    ) -> tuple[set[tuple[int, int]], list[str]]:
        if beside is None:
            return set(), [""] * height
        cells = {(x // 2, y // 2) for _, x, y in self._dots(beside, height)}
        ticks = tick_labels(beside.axis, height)
        return cells, [f"├{words}°C" if words else "" for words in ticks]

    def _dots(self, series: Series, height: int) -> Iterator[tuple[int, int, int]]:
        """Place the values in half columns and half rows, each with the number of its frame."""
        most = self.width * 2 - 1
        for at, value in enumerate(series.values):
            if value is not None:
                share = self.chart.share(self.chart.moments[at])
                x = min(int(share * self.width * 2), most)
                yield at, x, _dot_row(series.axis.level(value), height)

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
        inside = any(self.column(s.start) <= x <= self.column(s.end) for s in self.chart.spans)
        return str(self.look.raised) if inside else None

    def _cursor_column(self) -> int | None:
        if self.cursor is None or self.cursor >= len(self.chart.moments):
            return None
        return self.column(self.chart.moments[self.cursor])

    def _grades(self) -> Strip:
        worst: dict[int, Grade] = {}
        for moment, grade in zip(self.chart.moments, self.chart.grades, strict=True):
            x = self.column(moment)
            worst[x] = _worse(worst.get(x), grade)
        cells = [
            (SIGNS[worst[x]], styled(self.look.grade(worst[x]), bold=worst[x] != "keep"))
            if x in worst
            else (" ", Style())
            for x in range(self.width)
        ]
        return self._strip("grade", cells)

    def _hours(self) -> Strip:
        row = [" "] * self.width
        marks = list(self.chart.hours(self.width / HOUR_CELLS, self.zone))
        names = list(dict.fromkeys(map(self.zone.name, marks or self.chart.moments[:1])))
        named = ""
        for moment in marks:  # where clocks change in the night, each stretch begins with its name
            name = self.zone.name(moment)
            word = f" {name}" if len(names) > 1 and name != named else ""
            named = name
            _write(row, self.column(moment), f"╵{self.zone.local(moment):%H}h{word}")
        label = names[0] if len(names) == 1 else "local"
        return self._strip(label, [(c, styled(self.look.quiet)) for c in row])

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


def _worse(one: Grade | None, other: Grade) -> Grade:
    return other if one is None or WORST.index(other) < WORST.index(one) else one


def _dot_row(level: float, height: int) -> int:
    """Find the half row, from above, of a level between 0 and 1."""
    return round((1 - level) * (height * 2 - 1))


def _labels(panel: Panel, height: int) -> list[str]:
    """Write the name in the middle and round values where they belong, as far as there is room."""
    middle = height // 2
    labels = tick_labels(panel.axis, height, {middle})
    if height >= PANEL_LEAST or height == 1:
        labels[middle] = panel.name
    return labels


def tick_labels(axis: Axis, height: int, taken: Collection[int] = ()) -> list[str]:
    """Write round values on the lines where they belong, as far as there is room."""
    ticks = list(axis.ticks())
    labels = [""] * height
    labels[0], labels[-1] = ticks[-1][1], ticks[0][1]
    for value, words in ticks[1:-1]:
        y = _dot_row(axis.level(value), height) // 2
        if y not in taken and not any(labels[near] for near in (y - 1, y, min(y + 1, height - 1))):
            labels[y] = words
    return labels


def _write(row: list[str], at: int, text: str) -> None:
    if at + len(text) <= len(row):
        row[at : at + len(text)] = list(text)
