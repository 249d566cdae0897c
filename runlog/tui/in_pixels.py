"""A widget that is drawn in the terminal's own pixels where there are any, else in blocks."""

from typing import Any

from textual.strip import Strip

from runlog.tui.drawn_once import DrawnOnce
from runlog.tui.paint import Array
from runlog.tui.pixel_rows import NUMBERS, dots_of, rows_of
from runlog.tui.pixels import ROW_SIGNS
from runlog.tui.session import Session
from runlog.tui.terminal import Form


class InPixels(DrawnOnce):
    """It knows whether pixels can be drawn now, and makes lines of them."""

    PICTURES = 1  # on it at once

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.in_pixels = True  # where the terminal has them
        self.numbers = [next(NUMBERS) for _ in range(self.PICTURES)]

    def pixels_now(self) -> bool:
        """Tell whether to draw in the terminal's pixels.

        Below a dialogue pixels would shine through it.
        """
        session, high = self.session, self.size.height
        # Kitty's images are numbered by the colour of their placeholders.
        exact = self.app.console.color_system == "truecolor"
        able = bool(session.look.ground) and (
            session.terminal.form is Form.SIXEL or (session.terminal.form is Form.KITTY and exact)
        )
        fits = 1 < high <= len(ROW_SIGNS)
        return able and fits and self.in_pixels and self.screen.is_active

    def drawn_for(self) -> tuple[object, ...]:
        """Pixels are drawn for their place on the screen."""
        return self.region, self.session.look, self.session.zone, self.pixels_now()

    def dots(self, lines: int) -> tuple[int, int]:
        """Count the dots of some of its lines."""
        return dots_of((self.size.width, lines), self.session.terminal)

    def pixel_lines(
        self, grey: Array, top: int, lines: int, number: int = 0, marked: Array | None = None
    ) -> list[Strip]:
        """Make lines of dots, the first of them `top` lines below its upper edge."""
        place = self.region.x, self.region.y + top
        cells, session = (self.size.width, lines), self.session
        look, which = session.look, self.numbers[number]
        of = session.terminal, look.ground, which
        return rows_of(grey, place, cells, *of, marked=marked, accent=look.accent)
