"""A plot in letters: dots, lines through them, upright marks, and what lies beneath."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from runlog.core.charts import Place, Plot
from runlog.tui.drawn_once import DrawnOnce
from runlog.tui.look import Look
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled
from runlog.tui.timeline import QUARTERS, tick_labels

Cell = tuple[str, Style]
MARGIN = 9  # cells left of the plot, for values
DOT, MARK, ONE, SEVERAL = "o", "│", "x", "X"
LEAST = 5  # lines, with the name and the axis: lower it shows nothing


class PlotView(DrawnOnce):
    """It loads nothing, it draws what it is given."""

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.plot: Plot | None = None

    def show(self, plot: Plot | None) -> None:
        """Draw another plot, or none."""
        self.plot = plot
        self.draw_again()

    def drawn_rows(self) -> list[Strip]:
        """Draw it as large as there is room."""
        width, height = self.size
        if self.plot is None or height < LEAST or width < 2 * MARGIN:
            return []
        return [_strip(row) for row in draw(self.plot, (width, height), self.session.look)]


def draw(plot: Plot, size: tuple[int, int], look: Look) -> list[list[Cell]]:
    """Draw its name, the field with its axis of values, what lies beneath, and the axis across."""
    wide, high = max(size[0] - MARGIN - 1, 1), max(size[1] - 2 - bool(plot.beneath), 1)
    quiet, blank = styled(look.quiet), (" ", Style())
    cells = _marks(plot, wide, high, look) | _lines(plot, wide, high, look)
    for x, y in plot.dots:
        cells[_column(plot, x, wide), _row(plot, y, high)] = DOT, styled(look.text, bold=True)
    labels = tick_labels(plot.up, high)
    rows = [_letters(f" {safe(plot.name)}", size[0], quiet)]
    for line in range(high):
        word = labels[line]
        edge = "┤" if word else "│"
        axis = _letters(f"{fitted(word, MARGIN - 1, right=True)}{edge}", MARGIN, quiet)
        rows.append([*axis, *(cells.get((x, line), blank) for x in range(wide)), blank])
    if plot.beneath:
        rows.append(_letters(_beneath(plot, wide), size[0], styled(look.accent)))
    return [*rows, _letters(_across(plot, wide), size[0], quiet)]


def _column(plot: Plot, x: float, wide: int) -> int:
    return min(max(int(plot.share(x) * wide), 0), wide - 1)


def _row(plot: Plot, y: float, high: int) -> int:
    return min(int((1 - plot.up.level(y)) * high), high - 1)


def _marks(plot: Plot, wide: int, high: int, look: Look) -> dict[tuple[int, int], Cell]:
    """Draw upright lines, each with its word beside its top, or before it where room ends."""
    cells: dict[tuple[int, int], Cell] = {}
    style, free = styled(look.doubtful), 0
    for x, word in sorted(plot.marks):
        at = _column(plot, x, wide)
        cells |= {(at, line): (MARK, style) for line in range(high)}
        shown = safe(word)
        room = cell_len(shown)
        start = at + 1 if at + 1 + room <= wide else at - room
        if start >= free:
            cells |= _written(shown, start, style)
            free = start + room + 1
    return cells


def _written(words: str, at: int, style: Style) -> dict[tuple[int, int], Cell]:
    """Put letters on the first line; after one that is two cells wide the next cell is empty."""
    cells: dict[tuple[int, int], Cell] = {}
    for letter in words:
        cells[at, 0] = letter, style
        if cell_len(letter) == 2:
            cells[at + 1, 0] = "", style
        at += cell_len(letter)
    return cells


def _lines(plot: Plot, wide: int, high: int, look: Look) -> dict[tuple[int, int], Cell]:
    bits: dict[tuple[int, int], int] = {}
    for line in plot.lines:
        for x, y in _dense(plot, line, wide, high):
            column = min(max(int(plot.share(x) * wide * 2), 0), wide * 2 - 1)
            row = min(int((1 - plot.up.level(y)) * high * 2), high * 2 - 1)
            cell = column // 2, row // 2
            bits[cell] = bits.get(cell, 0) | 1 << (column % 2 + 2 * (row % 2))
    return {cell: (QUARTERS[bit], styled(look.accent)) for cell, bit in bits.items()}


def _dense(plot: Plot, line: tuple[Place, ...], wide: int, high: int) -> Iterator[Place]:
    """Give places along a line, so close that no quarter of a cell on its way is left out."""
    for (x0, y0), (x1, y1) in pairwise(line):
        across = abs(plot.share(x1) - plot.share(x0)) * wide
        up = abs(plot.up.level(y1) - plot.up.level(y0)) * high
        steps = int(4 * max(across, up)) + 1
        for n in range(steps + 1):
            yield x0 + (x1 - x0) * n / steps, y0 + (y1 - y0) * n / steps


def _beneath(plot: Plot, wide: int) -> str:
    row = [" "] * wide
    for place in plot.beneath:
        at = _column(plot, place, wide)
        row[at] = ONE if row[at] == " " else SEVERAL
    return f"{'frames':>{MARGIN - 1}} {''.join(row)}"


def _across(plot: Plot, wide: int) -> str:
    row = [" "] * (MARGIN + wide + 1)
    free = 0
    for value, words in plot.ticks:
        start, label = MARGIN + _column(plot, value, wide), f"╵{words}"
        if start >= free and start + len(label) <= len(row):
            row[start : start + len(label)] = label
            free = start + len(label) + 1
    return "".join(row)


def _letters(words: str, width: int, style: Style) -> list[Cell]:
    return [(letter, style) for letter in fitted(words, width)]


def _strip(cells: list[Cell]) -> Strip:
    return Strip([Segment(text, style) for text, style in cells])
