"""A table of many rows as plain text: the library's own takes a millisecond a row."""

import shutil
from collections.abc import Sequence

import click
from rich.cells import cell_len

from runlog.cli.common import Rows, is_terminal, show, shown, table
from runlog.core.columns import COLUMNS

GAP = "   "
MANY = 100  # rows; laying out more takes longer than finding them


def show_rows(rows: Rows, keys: Sequence[str]) -> None:
    """Print rows as a table, very many of them plainly where the terminal is wide enough."""
    if len(rows) >= MANY:
        text = plain_table(rows, keys)
        width = max(map(cell_len, text.split("\n")))
        if not is_terminal() or width <= shutil.get_terminal_size().columns:
            click.echo(text)
            return
    show(table(rows, keys))


def plain_table(rows: Rows, keys: Sequence[str]) -> str:
    """Lay rows out under the labels of core.columns, each column as wide as it needs."""
    cells = [[shown(row, key) for key in keys] for row in rows]
    heads = [COLUMNS[key].label for key in keys]
    widths = [max(map(cell_len, column)) for column in zip(heads, *cells, strict=True)]
    rule = "─" * (sum(widths) + len(GAP) * (len(widths) - 1))
    lines = [_line(heads, widths, keys), rule, *(_line(row, widths, keys) for row in cells)]
    return "\n".join(lines)


def _line(cells: Sequence[str], widths: Sequence[int], keys: Sequence[str]) -> str:
    parts = []
    for cell, width, key in zip(cells, widths, keys, strict=True):
        blanks = " " * (width - cell_len(cell))
        parts.append(blanks + cell if COLUMNS[key].right else cell + blanks)
    return GAP.join(parts).rstrip()
