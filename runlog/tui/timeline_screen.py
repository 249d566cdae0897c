"""The time line alone, with a cursor that walks from frame to frame."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from textual.app import ComposeResult
from textual.widgets import Static

from runlog.core.charts import dated, time_line
from runlog.core.frame import Frame
from runlog.tui.keys import TIMELINE, bound
from runlog.tui.main_screen import MainScreen
from runlog.tui.session import Session
from runlog.tui.timeline import Timeline
from runlog.tui.words import in_words

if TYPE_CHECKING:
    from runlog.core.story.model import Event


class TimelineScreen(MainScreen):
    """Every measure over the night; what is under the cursor in words."""

    scope = "timeline"
    place = "night"
    BINDINGS: ClassVar[list[Any]] = bound(TIMELINE)

    def __init__(
        self, session: Session, lines: Sequence[Frame], events: "Sequence[Event]", at: int = 0
    ) -> None:
        super().__init__(session)
        self.lines = dated(lines)
        self.chart = time_line(lines, events)
        self.at = min(at, max(len(self.lines) - 1, 0))

    def body(self) -> ComposeResult:
        """The chart, and one or two lines on the frame under the cursor."""
        yield Timeline(self.session, id="chart")
        yield Static(id="under")

    def reload(self) -> None:
        """Draw; the night screen brought the data."""
        self.query_one(Timeline).show(self.chart)
        self._point()

    def _point(self) -> None:
        self.query_one(Timeline).point_at(self.at)
        if self.lines:
            words = in_words(self.lines[self.at], self.session.look, self.session.zone,
                             self.size.width - 1)  # fmt: skip
            self.query_one("#under", Static).update(words)

    def action_step(self, step: int) -> None:
        """Walk to the next frame or the one before."""
        self.at = min(max(self.at + step, 0), len(self.lines) - 1)
        self._point()

    def action_trouble(self) -> None:
        """Jump to the next frame that was not kept."""
        count = len(self.lines)
        for ahead in range(1, count + 1):
            at = (self.at + ahead) % count
            if self.lines[at].judgement.grade != "keep":
                self.at = at
                self._point()
                return
        self.say("Every frame was kept")

    async def action_open(self) -> None:
        """Show the picture of the frame under the cursor."""
        if self.lines:
            from runlog.tui.picture_screen import PictureScreen  # numpy: see app.py

            await self.app.push_screen(
                PictureScreen(self.session, [line.identity.id for line in self.lines], self.at)
            )

    def action_leave(self) -> None:
        """Go back to the night."""
        self.app.pop_screen()

    def on_timeline_pointed(self, message: Timeline.Pointed) -> None:
        """Follow the pointer."""
        self.at = message.at
        self._point()
