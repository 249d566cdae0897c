"""Every letter stands out of what it is written on, in both shades.

Contrast as WCAG 2.2 defines it ("relative luminance", "contrast ratio"); 4.5 : 1 for text is its
success criterion 1.4.3.
"""

from collections.abc import Iterator
from itertools import product
from typing import Any

import pytest
from rich.style import Style
from textual.pilot import Pilot
from textual.screen import ModalScreen

from runlog.tui.look import THEMES

from .conftest import Running, press

LEAST = 4.5
SCREENS: tuple[tuple[str, ...], ...] = (
    ("e",), ("c",), ("escape", "2"), ("slash",), ("escape", "question_mark"), ("escape", "3"),
    ("n",), ("escape", "4"), ("escape", "l"), ("5",), ("6",), ("ctrl+p",),
)  # fmt: skip


def luminance(red: int, green: int, blue: int) -> float:
    """Relative luminance of 8-bit sRGB, as WCAG 2.2 words it."""
    parts = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (red / 255, green / 255, blue / 255)
    ]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """Contrast ratio, 1 to 21."""
    dark, bright = sorted((luminance(*one), luminance(*other)))
    return (bright + 0.05) / (dark + 0.05)


def rgb(color: str) -> tuple[int, int, int]:
    """Read #RRGGBB."""
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def test_the_formula() -> None:
    """Black on white is 21 : 1; #767676 is the lightest grey that passes on white (WCAG G18)."""
    white = (255, 255, 255)
    assert contrast((0, 0, 0), white) == pytest.approx(21.0)
    assert contrast((0x76,) * 3, white) >= LEAST > contrast((0x77,) * 3, white)


@pytest.mark.parametrize("shade", THEMES)
def test_every_colour_on_every_ground(shade: str) -> None:
    """Words in any colour of ours read on the page, on bars, and on the row under the cursor."""
    look = THEMES[shade]
    colors = look.keep, look.doubtful, look.reject, look.accent, look.quiet, look.text
    for color, ground in product(colors, (look.ground, look.raised, look.cursor)):
        assert contrast(rgb(color), rgb(ground)) >= LEAST, (color, ground)


def written(pilot: Pilot[Any]) -> Iterator[tuple[str, Style]]:
    """What is on the screen, or in the dialog before it, where it has letters or digits."""
    screen = pilot.app.screen
    place = screen.region
    if isinstance(screen, ModalScreen):  # what lies behind is dimmed: it is not for reading
        place = max((part.region for part in screen.query("*")), key=lambda region: region.area)
    for strip in screen._compositor.render_strips()[place.y : place.bottom]:
        for piece in strip.crop(place.x, place.right):
            if any(map(str.isalnum, piece.text)) and piece.style is not None:
                yield piece.text, piece.style


def ratio(style: Style) -> float:
    """Contrast of a style's two colours."""
    assert style.color and style.bgcolor, style
    return contrast(style.color.get_truecolor(), style.bgcolor.get_truecolor())


@pytest.mark.parametrize("shade", THEMES)
async def test_every_word_on_every_screen(running: Running, shade: str) -> None:
    """Whatever paints a word, ours or the library's, it reads: dialogs, hints and cursors too."""
    async with running(size=(120, 40)) as pilot:
        if pilot.app.session.shade != shade:  # type: ignore[attr-defined]
            await press(pilot, "T")
        dull = {}
        for keys in SCREENS:
            await press(pilot, *keys)
            for _ in range(200):  # commands are found one by one
                if pieces := list(written(pilot)):
                    break
                await pilot.pause(0.02)
            assert len(pieces) > 1
            dull |= {
                (keys, words.strip()): round(found, 2)
                for words, style in pieces
                if (found := ratio(style)) < LEAST
            }
        assert not dull
