"""Lines of text that carry a picture in the terminal's own pixels."""

from collections.abc import Iterator
from itertools import count

import numpy as np
from rich.color import Color
from rich.segment import ControlType, Segment
from rich.style import Style
from textual.strip import Strip

from runlog.tui import pixels
from runlog.tui.paint import GREYS, Array, tone
from runlog.tui.terminal import Form, Terminal

OUTSIDE = GREYS  # the colour number of what lies outside the frame
NUMBERS = count(0x524C01)  # of Kitty's images, one for each place they are shown in


def dots_of(cells: tuple[int, int], terminal: Terminal) -> tuple[int, int]:
    """Count the dots that cells hold, in whole bands of sixels."""
    wide, high = cells[0] * terminal.cell[0], cells[1] * terminal.cell[1]
    return wide, max(high - high % pixels.BAND, pixels.BAND)


def rows_of(
    grey: Array, place: tuple[int, int], cells: tuple[int, int], terminal: Terminal,
    ground: str, number: int, marked: Array | None = None, accent: str = "",
) -> list[Strip]:  # fmt: skip
    """Make the lines of a picture.

    Parameters
    ----------
    grey : (h, w) uint8 of 0 ... GREYS - 1, or 255 outside the frame.
    place : column and line of its first cell on the screen, from 0.
    number : of the place it is shown in.
    marked : (h, w) bool, dots in the accent's colour.
    """
    codes = np.where(grey == 255, OUTSIDE, grey).astype(np.uint8)
    palette = _palette(ground)
    if marked is not None:
        codes[marked] = len(palette)
        palette.append(_rgb(accent))
    if terminal.form is Form.KITTY:
        return list(_kitty(pixels.kitty(codes, palette, number, cells), cells, number))
    return list(_sixel(pixels.sixel(codes, palette), place, cells, ground))


def _palette(ground: str) -> list[pixels.Color]:
    greys = [tone(i / (GREYS - 1)) for i in range(GREYS)]
    colors = [(round(r), round(g), round(b)) for r, g, b in greys]
    return [*colors, _rgb(ground)]


def _rgb(color: str) -> pixels.Color:
    found = Color.parse(color).get_truecolor()
    return found.red, found.green, found.blue


def _unseen(bytes_of_it: str) -> Segment:
    """Carry bytes that take no room on the screen."""
    return Segment(bytes_of_it, None, [(ControlType.CURSOR_FORWARD, 0)])


def _sixel(
    drawn: str, place: tuple[int, int], cells: tuple[int, int], ground: str
) -> Iterator[Strip]:
    """Clear the lines, then draw from the last of them, and put the cursor back."""
    empty = Segment(" " * cells[0], Style(bgcolor=ground))
    for _ in range(cells[1] - 1):
        yield Strip([empty], cells[0])
    whole = f"\x1b7\x1b[{place[1] + 1};{place[0] + 1}H{drawn}\x1b8"
    yield Strip([empty, _unseen(whole)], cells[0])


def _kitty(sent: str, cells: tuple[int, int], number: int) -> Iterator[Strip]:
    style = Style(color=Color.from_rgb(number >> 16 & 255, number >> 8 & 255, number & 255))
    for i, line in enumerate(pixels.placeholders(cells)):
        first = [_unseen(sent)] if i == 0 else []
        yield Strip([*first, Segment(line, style)], cells[0])
