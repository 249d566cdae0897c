"""One line of one's own words."""

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from runlog.tui.text import count
from runlog.tui.words_input import WordsInput

LONGEST = 200


class NoteScreen(ModalScreen[str | None]):
    """Enter stores, Escape forgets; an empty note takes the note away."""

    BINDINGS: ClassVar[list[Any]] = [Binding("escape", "leave", "back", show=False)]

    def __init__(self, frames: int, what: str = "Note on", value: str = "", ways: str = "") -> None:
        super().__init__()
        self.ways = ways
        self.heading = f"{what} {count(frames, 'frame')}" if frames else what
        self.value = value

    def compose(self) -> ComposeResult:
        """A line to type in."""
        with Vertical(id="note"):
            yield Label(self.heading, markup=False)
            yield WordsInput(self.value, max_length=LONGEST, compact=True)
            if self.ways:
                yield Label(self.ways, classes="quiet", markup=False)
            yield Label("Enter stores, Esc leaves it", classes="quiet", markup=False)

    def on_mount(self) -> None:
        """Take what is typed ahead."""
        self.set_focus(self.query_one(Input))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the words back."""
        self.dismiss(event.value)

    def action_leave(self) -> None:
        """Change nothing."""
        self.dismiss(None)
