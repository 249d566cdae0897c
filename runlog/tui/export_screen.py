"""Where kept frames are to be exported to: one line, and what it comes to."""

import asyncio
from functools import partial
from typing import Any, ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from runlog.actions.export import Keepers
from runlog.actions.export_to import WAYS, export_to, gathered, in_words
from runlog.core.selection import Selection
from runlog.errors import RunlogError
from runlog.tui.session import Session
from runlog.tui.text import plainly, safe
from runlog.tui.words_input import WordsInput

TOGGLE = "Tab: doubtful frames as well, or kept ones alone"


class ExportScreen(ModalScreen[str | None]):
    """Enter exports, Escape leaves it; Tab adds doubtful frames."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("escape", "leave", "back", show=False),
        Binding("tab", "doubtful", "doubtful", show=False, priority=True),
    ]

    def __init__(self, session: Session, selection: Selection, what: str) -> None:
        super().__init__()
        self.session, self.selection, self.what = session, selection, what
        self.doubtful = False
        self.found: Keepers | None = None

    def compose(self) -> ComposeResult:
        """What it is about, a line to type in, and what may be typed."""
        with Vertical(id="note"):
            yield Label(f"Export {safe(self.what)}", markup=False)
            yield Label("Counting …", id="amount", markup=False)
            yield WordsInput(compact=True)
            yield Label(WAYS, classes="quiet", markup=False)
            yield Label(TOGGLE, classes="quiet", markup=False)
            yield Label("", id="complaint", markup=False)
            yield Label("Enter exports, Esc leaves it", classes="quiet", markup=False)

    def on_mount(self) -> None:
        """Take what is typed ahead while the frames are counted."""
        self.query_one("#complaint").display = False
        self.set_focus(self.query_one(Input))
        self._count()

    @work(exclusive=True, group="export")
    async def _count(self) -> None:
        self.found = None
        found = await self.session.ask_much(gathered, self.selection, self.doubtful)
        if found is not None and self.is_attached:
            self.found = found
            self.query_one("#amount", Label).update(safe(in_words(found, self.doubtful)))

    def action_doubtful(self) -> None:
        """Export doubtful frames as well, or kept ones alone."""
        self.doubtful = not self.doubtful
        self.query_one("#amount", Label).update("Counting …")
        self._count()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Export, beside the painting."""
        if self.found is None:
            self._complain("Still counting")
        else:
            self._export(self.found, event.value)

    @work(exclusive=True, group="writing")
    async def _export(self, found: Keepers, typed: str) -> None:
        self._complain("Exporting …")
        try:
            said = await asyncio.to_thread(partial(export_to, found, typed))
        except RunlogError as error:
            self._complain(plainly(error))
            return
        self.dismiss(said)

    def _complain(self, words: str) -> None:
        if self.is_attached:
            label = self.query_one("#complaint", Label)
            label.update(safe(words))
            label.display = True

    def action_leave(self) -> None:
        """Export nothing."""
        self.dismiss(None)
