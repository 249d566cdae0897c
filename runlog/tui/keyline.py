"""The bottom line: the keys of this screen, from the key table."""

from rich.text import Text
from textual.widget import Widget

from runlog.tui.keys import hints
from runlog.tui.session import Session
from runlog.tui.text import styled


class KeyLine(Widget):
    """As many hints as fit; the last is always the help."""

    def __init__(self, session: Session, scope: str) -> None:
        super().__init__()
        self.session, self.scope = session, scope

    def render(self) -> Text:
        """Write keys bold and words quiet, whole hints only."""
        look = self.session.look
        listed = list(hints(self.scope))
        listed.sort(key=lambda hint: hint[1] != "help" and hint[1] != "quit")
        tail = [hint for hint in listed if hint[1] in ("help", "quit")]
        text, room = Text(no_wrap=True), self.size.width
        for shown, word in [h for h in listed if h not in tail] + tail:
            reserve = 0 if word in ("help", "quit") else 16
            if text.cell_len + len(shown) + len(word) + 4 + reserve > room:
                continue
            text.append(f" {shown}", styled(look.accent, bold=True))
            text.append(f" {word} ", styled(look.quiet))
        return text
