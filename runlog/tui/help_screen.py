"""The keys of a screen, written by the table that binds them."""

from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from runlog.core.plain_words import EXAMPLES
from runlog.tui.keys import SCOPES, Key, everywhere
from runlog.tui.look import SIGNS, Look
from runlog.tui.text import styled

SIGN_WORDS = {"keep": "keep", "doubtful": "doubtful", "reject": "reject", "ungraded": "no grade"}


class HelpScreen(ModalScreen[None]):
    """Closes on the keys that opened it, and on Escape."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("escape,question_mark,f1,q,enter", "dismiss", "back", show=False)
    ]

    def __init__(self, scope: str, look: Look, several_rigs: bool = False) -> None:
        super().__init__()
        self.about, self.look, self.everywhere = scope, look, everywhere(several_rigs)

    def compose(self) -> ComposeResult:
        """Show this screen's keys, then those that work everywhere."""
        look = self.look
        title, keys = SCOPES[self.about]
        text = Text()
        for heading, listed in ((title, keys), ("Everywhere", self.everywhere)):
            text.append(f"{heading}\n", styled(look.accent, bold=True))
            for key in listed:
                text.append_text(_row(key, look.text))
            text.append("\n")
        if self.about == "frames":
            text.append_text(_words(look))
        signs = "   ".join(f"{SIGNS[g]} {word}" for g, word in SIGN_WORDS.items())
        text.append(f"Signs   {signs}   * a person's grade", styled(look.quiet))
        with VerticalScroll(id="help"):
            yield Static(text)


def _row(key: Key, color: str) -> Text:
    row = Text()
    row.append(f"  {key.shown:<10}", styled(bold=True))
    row.append(f"{key.help}\n", styled(color))
    return row


def _words(look: Look) -> Text:
    text = Text("Words to find by\n", styled(look.accent, bold=True))
    for examples, meaning in EXAMPLES:
        text.append(f"  {examples}\n", styled(bold=True))
        text.append(f"      {meaning}\n", styled(look.text))
    return text.append("\n")
