"""The bottom line: the keys of this screen, from the key table; each can be clicked."""

from rich.text import Text
from textual.events import Click
from textual.widget import Widget

from runlog.tui.keys import Key, hinted
from runlog.tui.session import Session
from runlog.tui.text import styled

LAST = ("all.help", "all.quit")  # always there, at the end
RESERVE = 16  # cells for those


class KeyLine(Widget):
    """As many hints as fit; the last is always the help."""

    def __init__(self, session: Session, scope: str) -> None:
        super().__init__()
        self.session, self.scope = session, scope
        self._spans: list[tuple[int, int, str]] = []

    def render(self) -> Text:
        """Write keys bold and words quiet, whole hints only."""
        look, self._spans = self.session.look, []
        listed = list(hinted(self.scope))
        tail = [key for key in listed if key.id in LAST]
        text, room = Text(no_wrap=True), self.size.width
        for key in [k for k in listed if k not in tail] + tail:
            if text.cell_len + _width(key) + RESERVE * (key not in tail) > room:
                continue
            start = text.cell_len
            text.append(f" {key.shown}", styled(look.accent, bold=True))
            text.append(f" {key.label} ", styled(look.quiet))
            self._spans.append((start, text.cell_len, key.action))
        return text

    async def on_click(self, event: Click) -> None:
        """Do what the key that is clicked does."""
        for start, end, action in self._spans:
            if start <= event.x < end:
                name = action.split("(")[0]
                here = self.screen if hasattr(self.screen, f"action_{name}") else self.app
                await self.app.run_action(action, here)
                return


def _width(key: Key) -> int:
    return len(key.shown) + len(key.label) + 4
