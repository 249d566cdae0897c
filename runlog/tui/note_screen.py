"""One line of one's own words."""

from collections.abc import Awaitable, Callable
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from runlog.tui.text import count, safe
from runlog.tui.words_input import WordsInput

LONGEST = 200
Attempt = Callable[[str], Awaitable[str]]


class NoteScreen(ModalScreen[str | None]):
    """Enter stores, Escape forgets; an empty note takes the note away."""

    BINDINGS: ClassVar[list[Any]] = [Binding("escape", "leave", "back", show=False)]

    def __init__(
        self, frames: int, what: str = "Note on", value: str = "", ways: str = "",
        attempt: Attempt | None = None,
    ) -> None:  # fmt: skip
        """Ask for a line; `attempt` stores it and gives the complaint, else nothing."""
        super().__init__()
        self.ways, self.attempt = ways, attempt
        self.heading = f"{what} {count(frames, 'frame')}" if frames else what
        self.value = value

    def compose(self) -> ComposeResult:
        """A line to type in."""
        with Vertical(id="note"):
            yield Label(self.heading, markup=False)
            yield WordsInput(self.value, max_length=LONGEST, compact=True)
            if self.ways:
                yield Label(self.ways, classes="quiet", markup=False)
            yield Label("", id="complaint", markup=False)
            yield Label("Enter stores, Esc leaves it", classes="quiet", markup=False)

    def on_mount(self) -> None:
        """Take what is typed ahead."""
        self.query_one("#complaint").display = False
        self.set_focus(self.query_one(Input))

    async def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the words back; what cannot be stored stays to be corrected."""
        complaint = await self.attempt(event.value) if self.attempt else ""
        if not self.is_attached:
            return
        label = self.query_one("#complaint", Label)
        label.update(safe(complaint))
        label.display = bool(complaint)
        if not complaint:
            self.dismiss(event.value)

    def action_leave(self) -> None:
        """Change nothing."""
        self.dismiss(None)
