"""A widget that is drawn once for what it depends on, and handed out line by line."""

from typing import Any

from textual.strip import Strip
from textual.widget import Widget

from runlog.tui.session import Session


class DrawnOnce(Widget):
    """Draws on demand; whoever changes what is shown says `draw_again`."""

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(**more)
        self.session = session
        self._rows: list[Strip] = []
        self._drawn_for: tuple[object, ...] | None = None

    def drawn_for(self) -> tuple[object, ...]:
        """Say what else a drawing depends on: it is made again when this changes."""
        return self.size, self.session.look, self.session.zone

    def drawn_rows(self) -> list[Strip]:
        """Draw every line."""
        raise NotImplementedError

    @property
    def is_drawn(self) -> bool:
        """Whether what is shown has been drawn."""
        return self._drawn_for is not None

    def draw_again(self) -> None:
        """Forget the drawing."""
        self._drawn_for = None
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Hand out one line of the drawing."""
        wanted = self.drawn_for()
        if wanted != self._drawn_for:
            self._drawn_for = wanted
            self._rows = self.drawn_rows()
        row = self._rows[y] if y < len(self._rows) else Strip([])
        return row.adjust_cell_length(self.size.width).apply_style(self.rich_style)
