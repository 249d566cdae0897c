"""The bottom line: the keys of this screen, from the key table; each can be clicked."""

from dataclasses import replace

from rich.cells import cell_len
from rich.text import Text
from textual.events import Click
from textual.widget import Widget

from runlog.tui.keys import RIGS, Key, hinted
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled

LAST = ("all.rigs", "all.help", "all.quit")  # always there, at the end
MOST_RIG = 24  # cells of the name of the rig in view


class KeyLine(Widget):
    """As many hints as fit; at the end always which rigs are in view, if there are several."""

    def __init__(self, session: Session, scope: str) -> None:
        super().__init__()
        self.session, self.scope = session, scope
        self._spans: list[tuple[int, int, str]] = []

    def render(self) -> Text:
        """Write keys bold and words quiet, whole hints only."""
        look, self._spans = self.session.look, []
        listed = [self._named(key) for key in hinted(self.scope, self.session.has_rigs)]
        tail = sorted((key for key in listed if key.id in LAST), key=lambda k: LAST.index(k.id))
        text, room = Text(no_wrap=True), self.size.width
        reserve = sum(map(_width, tail))
        for key in [k for k in listed if k not in tail] + tail:
            if text.cell_len + _width(key) + reserve * (key not in tail) >= room:
                continue
            start = text.cell_len
            text.append(f" {key.shown}", styled(look.accent, bold=True))
            text.append(f" {key.label} ", styled(look.quiet))
            self._spans.append((start, text.cell_len, key.action))
        return text

    def _named(self, key: Key) -> Key:
        """Let the key that chooses the rigs tell which are in view."""
        if key is not RIGS:
            return key
        return replace(key, label=fitted(safe(self.session.view.label), MOST_RIG).rstrip())

    async def on_click(self, event: Click) -> None:
        """Do what the key that is clicked does."""
        for start, end, action in self._spans:
            if start <= event.x < end:
                name = action.split("(")[0]
                here = self.screen if hasattr(self.screen, f"action_{name}") else self.app
                await self.app.run_action(action, here)
                return


def _width(key: Key) -> int:
    return cell_len(key.shown) + cell_len(key.label) + 3
