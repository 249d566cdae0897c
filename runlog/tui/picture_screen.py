"""The picture of a frame out of a list, and its neighbours."""

from array import array
from collections.abc import Sequence
from typing import Any, ClassVar

from textual import work
from textual.app import ComposeResult
from textual.widgets import Static

from runlog.actions.review import page
from runlog.tui.keys import PICTURE, bound
from runlog.tui.messages import Graded
from runlog.tui.session import Session
from runlog.tui.weighs import is_open
from runlog.tui.with_picture import WithPicture
from runlog.tui.words import in_words


class PictureScreen(WithPicture):
    """Picture first, values in two lines below."""

    scope = "picture"
    place = "frames"
    BINDINGS: ClassVar[list[Any]] = bound(PICTURE)

    def __init__(self, session: Session, ids: "Sequence[int] | array[int]", at: int) -> None:
        super().__init__(session)
        self.ids, self.at = ids, at

    def body(self) -> ComposeResult:
        """The easel, and what the frame is."""
        yield from self.easel()
        yield Static(id="under")
        yield Static(id="worth")

    def reload(self) -> None:
        """Show the frame again; its grade may have changed."""
        if self.ids:
            self.look_at(self.ids[self.at], self._ahead())
            self._describe(self.ids[self.at])

    def _ahead(self) -> list[int]:
        places = (self.at + 1, self.at - 1, self.at + 2)
        return [self.ids[i] for i in places if 0 <= i < len(self.ids)]

    @work(exclusive=True, group="words")
    async def _describe(self, frame_id: int) -> None:
        found = await self.ask(page, [frame_id])
        line = (found or {}).get(frame_id)
        self.query_one("#worth").display = weighed = line is not None and is_open(line)
        if weighed:
            self.weigh([frame_id])
        else:
            self.unweigh()
        if line is not None:
            self.query_one("#under", Static).update(
                in_words(line, self.session.look, self.session.zone, self.size.width - 1)
            )

    def action_step(self, step: int) -> None:
        """Turn to the next frame of the list."""
        at = self.at + step
        if not 0 <= at < len(self.ids):
            self.say("This is the last one" if step > 0 else "This is the first one")
            return
        self.at = at
        self.reload()

    def action_grade(self, grade: str) -> None:
        """Decide on this frame; stay with it."""
        self.post_message(Graded([self.ids[self.at]], grade))

    async def action_note(self) -> None:
        """Write a note on this frame."""
        await self.ask_for_note([self.ids[self.at]])

    def action_leave(self) -> None:
        """Go back to the list."""
        self.app.pop_screen()
