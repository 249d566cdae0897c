"""Rows as a table of plain text that fits the width there is: columns give way by importance."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from runlog.cli.common import Rows, shown
from runlog.core.columns import COLUMNS, NOTHING
from runlog.core.moments import MOMENTS

GAP = "  "
WRAPPED = frozenset(
    "looked_at faults text where spellings missing notes noted what selection verdict "
    "evidence why".split()
)  # sentences: they go on below themselves, at blanks
SHORTENED = frozenset("path rig target worst_panel root who".split())  # names: cut, with a sign
LEAST = 18  # cells that a name or a sentence keeps, if it has so many
CUT = "…"


def cell_len(text: str) -> int:
    """Count the cells a text takes; the library is asked only where that is not plain."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under the labels of core.columns; `drop` names columns to go without, first the least.

    A word or a number is never broken: a column is whole, or shortened with a sign, or not there.
    """

    rows: Rows
    keys: Sequence[str]
    drop: Sequence[str] = ()

    def lines(self, width: int | None) -> list[str]:
        """Lay it out in so many cells, or in as many as it needs; heading and rule come first."""
        grid = _Grid(self.rows, self.keys)
        if width is None:
            return list(grid.laid({key: grid.widest[key] for key in self.keys}))
        for gone in range(len(self.drop) + 1):
            kept = [key for key in self.keys if key not in self.drop[:gone]]
            if (found := grid.widths(kept, width)) is not None:
                return list(grid.laid(found))
        return list(grid.paragraphs(width))

    def left_out(self, width: int | None) -> list[str]:
        """Name the columns that there is no room for, by their labels."""
        grid = _Grid(self.rows, self.keys)
        if width is None or not self.drop:
            return []
        for gone in range(len(self.drop) + 1):
            without = self.drop[:gone]
            kept = [key for key in self.keys if key not in without]
            if grid.widths(kept, width) is not None:
                return [COLUMNS[key].label for key in self.keys if key in without]
        return []


@dataclass(frozen=True)
class _Grid:
    rows: Rows
    keys: Sequence[str]

    @cached_property
    def cells(self) -> dict[str, list[str]]:
        return {key: self._cells(key) for key in self.keys}

    def _cells(self, key: str) -> list[str]:
        if key in MOMENTS:
            found = MOMENTS[key].cells([row.get(key) for row in self.rows])
            return [NOTHING if cell is None else cell for cell in found]
        return [shown(row, key) for row in self.rows]

    @cached_property
    def labels(self) -> dict[str, str]:
        return {key: self._label(key) for key in self.keys}

    def _label(self, key: str) -> str:
        if key in MOMENTS:
            return MOMENTS[key].heading(row.get(key) for row in self.rows)
        return COLUMNS[key].label

    @cached_property
    def widest(self) -> dict[str, int]:
        return {
            key: max(map(cell_len, (self.labels[key], *cells))) for key, cells in self.cells.items()
        }

    def _least(self, key: str) -> int:
        """Find how narrow a column may be."""
        label = cell_len(self.labels[key])
        if key in SHORTENED:
            return max(min(self.widest[key], LEAST), label)
        if key in WRAPPED:
            words = (word for cell in self.cells[key] for word in cell.split())
            longest = max(map(cell_len, words), default=0)
            return max(min(self.widest[key], LEAST), label, longest)
        return self.widest[key]

    def widths(self, keys: Sequence[str], room: int) -> dict[str, int] | None:
        """Give each column its cells; None where there is no room for all of them."""
        found = {key: self._least(key) for key in keys}
        spare = room - sum(found.values()) - len(GAP) * (len(found) - 1)
        if spare < 0:
            return None
        for key in keys:
            more = min(spare, self.widest[key] - found[key])
            found[key] += more
            spare -= more
        return found

    def laid(self, widths: dict[str, int]) -> Iterator[str]:
        """Write heading, rule and rows."""
        heads = {key: [self.labels[key]] for key in widths}
        yield from _line(heads, widths)
        yield "─" * (sum(widths.values()) + len(GAP) * (len(widths) - 1))
        for n in range(len(self.rows)):
            cells = {key: _fitted(key, self.cells[key][n], widths[key]) for key in widths}
            yield from _line(cells, widths)

    def paragraphs(self, width: int) -> Iterator[str]:
        """Write each row as its first two values and then label and value in turn."""
        for n, row in enumerate(self.rows):
            yield "  ".join(self.cells[key][n] for key in self.keys[:2])
            known = [key for key in self.keys[2:] if row.get(key) not in (None, [], "")]
            said = (f"{self.labels[key]} {self.cells[key][n]}" for key in known)
            yield from (f"  {line}" for line in wrapped(", ".join(said), width - 2))


def _fitted(key: str, text: str, width: int) -> list[str]:
    if cell_len(text) <= width:
        return [text]
    return (
        wrapped(text, width) if key in WRAPPED else [shortened(text, width, middle=key == "path")]
    )


def _line(cells: dict[str, list[str]], widths: dict[str, int]) -> Iterator[str]:
    for n in range(max(map(len, cells.values()))):
        parts = []
        for key, width in widths.items():
            text = cells[key][n] if n < len(cells[key]) else ""
            blanks = " " * (width - cell_len(text))
            parts.append(blanks + text if COLUMNS[key].right else text + blanks)
        yield GAP.join(parts).rstrip()


def shortened(text: str, width: int, *, middle: bool = False) -> str:
    """Cut a name to so many cells, at its end, or in its middle where its end tells it apart."""
    if cell_len(text) <= width:
        return text
    from rich.cells import set_cell_size

    after = (width - 1) // 2 if middle else 0
    end = ""
    for sign in reversed(text):
        if cell_len(sign + end) > after:
            break
        end = sign + end
    return f"{set_cell_size(text, width - 1 - cell_len(end)).rstrip()}{CUT}{end}"


# A command that is printed to be typed, with what is quoted in it.
_COMMAND = re.compile(r"""runlog [a-z](?:'[^']*'|"[^"]*"|[^\s,;'"]| (?=[^\s(]))*[,;]?|\S+""")


def wrapped(text: str, width: int) -> list[str]:
    """Break a sentence at its blanks; a command, or a word wider than the room, stays whole."""
    lines = [""]
    for word in _COMMAND.findall(text):
        if lines[-1] and cell_len(lines[-1]) + 1 + cell_len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return lines


def table(rows: Rows, keys: Sequence[str], drop: str = "") -> Table:
    """Lay rows out; `drop` names columns that go where room is short, the least important first."""
    return Table(rows, keys, [key for key in drop.split() if key in keys])


def plain_table(rows: Rows, keys: Sequence[str]) -> str:
    """Lay rows out, each column as wide as it needs."""
    return "\n".join(Table(rows, keys).lines(None))
