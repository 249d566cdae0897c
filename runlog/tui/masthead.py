"""The top line: which night and rig, and the six places one can go."""

from rich.text import Text
from textual.events import Click
from textual.widget import Widget

from runlog.tui.messages import PlaceWanted
from runlog.tui.session import Session
from runlog.tui.text import evening, fitted, safe, short_evening, styled

PLACES = ("night", "frames", "doubtful", "totals", "tonight", "rig")


class Masthead(Widget):
    """One line; its places can be clicked."""

    def __init__(self, session: Session, place: str) -> None:
        super().__init__()
        self.session, self.place = session, place
        self._spans: list[tuple[int, int, str]] = []

    def render(self) -> Text:
        """Lay the night out on the left and the places on the right, as far as there is room."""
        width = self.size.width
        places = self._places(width)
        left = self._where(width - places.cell_len)
        start = left.cell_len
        self._spans = [(start + a, start + b, name) for a, b, name in self._spans]
        return Text.assemble(left, places, no_wrap=True)

    def _places(self, width: int) -> Text:
        text, self._spans = Text(), []
        left, look = self.session.open_count, self.session.look
        for number, name in enumerate(PLACES, start=1):
            if width < 60 and name != self.place:
                continue
            counted = "…" if left is None else str(left or "")
            waiting = f" {counted}" if name == "doubtful" and counted else ""
            here = name == self.place
            start = text.cell_len
            text.append(
                f" {number} {name}{waiting} ",
                styled("" if here else look.quiet, bold=here, reverse=here),
            )
            self._spans.append((start, text.cell_len, name))
        return text

    def _where(self, room: int) -> Text:
        run, look = self.session.here, self.session.look
        if run is None:
            return Text(fitted(" runlog", room), style=styled(look.accent, bold=True))
        if self.place == "frames" and self.session.listing.every_night:
            return Text(fitted(" all nights", room), style=styled(look.accent, bold=True))
        when = evening(run.night) if room > 30 else short_evening(run.night)
        text = Text(f" {when} ", style=styled(look.accent, bold=True))
        text.append(fitted(safe(run.rig), max(room - text.cell_len, 0)), styled(look.quiet))
        text.truncate(room)
        return text

    def on_click(self, event: Click) -> None:
        """Go where the pointer points."""
        for start, end, name in self._spans:
            if start <= event.x < end:
                self.post_message(PlaceWanted(name))
