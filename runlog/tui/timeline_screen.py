"""The time line alone, with a cursor that walks from frame to frame."""

from collections.abc import Sequence
from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.widgets import Static

from runlog.core.columns import written
from runlog.store.review import FrameLine
from runlog.tui.desk import Desk
from runlog.tui.keys import TIMELINE, bound
from runlog.tui.look import SIGNS, Look
from runlog.tui.picture_screen import PictureScreen
from runlog.tui.text import clock, safe, styled
from runlog.tui.timeline import Span, Timeline


class TimelineScreen(Desk):
    """Every measure over the night; what is under the cursor in words."""

    scope = "timeline"
    place = "night"
    BINDINGS: ClassVar[list[Any]] = bound(TIMELINE)

    def __init__(self, lines: Sequence[FrameLine], spans: Sequence[Span], at: int = 0) -> None:
        super().__init__()
        self.lines = [line for line in lines if line.taken_at_utc is not None]
        self.spans = list(spans)
        self.at = min(at, max(len(self.lines) - 1, 0))

    def body(self) -> ComposeResult:
        """The chart, and one or two lines on the frame under the cursor."""
        yield Timeline(id="chart")
        yield Static(id="under")

    def reload(self) -> None:
        """Draw; the night screen brought the data."""
        self.query_one(Timeline).show(self.lines, self.spans)
        self._point()

    def _point(self) -> None:
        self.query_one(Timeline).point_at(self.at)
        if self.lines:
            words = in_words(self.lines[self.at], self.review.look)
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
            if self.lines[at].grade != "keep":
                self.at = at
                self._point()
                return
        self.review.say("Every frame was kept")

    def action_open(self) -> None:
        """Show the picture of the frame under the cursor."""
        if self.lines:
            self.app.push_screen(PictureScreen([line.id for line in self.lines], self.at))

    def action_leave(self) -> None:
        """Go back to the night."""
        self.app.pop_screen()

    def on_timeline_pointed(self, message: Timeline.Pointed) -> None:
        """Follow the pointer."""
        self.at = message.at
        self._point()


def in_words(line: FrameLine, look: Look) -> Text:
    """Write one frame as a sentence of values, and why it has its grade."""
    text = Text()
    text.append(f" {SIGNS[line.grade]} {line.grade}", styled(look.grade(line.grade), bold=True))
    text.append(" *" if line.graded_by == "person" else "")
    named = f"  {clock(line.taken_at_utc)} UTC  {safe(line.target)}  {safe(line.filter)}"
    text.append(f"{named}  {written('exposure_s', line.exposure_s)}", styled(bold=True))
    for key, word in (("fwhm_px", "FWHM"), ("eccentricity", "ecc."), ("stars", "stars"),
                      ("background_adu", "sky")):  # fmt: skip
        text.append(f"   {word} ", styled(look.quiet))
        text.append(written(key, getattr(line, key)))
    text.append("\n")
    text.append_text(reasons(line, look))
    return text


def reasons(line: FrameLine, look: Look) -> Text:
    """Write the evidence of every fault, and the note."""
    text = Text()
    for name, evidence in line.faults:
        text.append(f" {name}: ", styled(look.grade(line.auto_grade), bold=True))
        text.append(f"{safe(evidence)}. ")
    if line.note:
        text.append(f" “{safe(line.note)}”", styled(look.accent))
    return text
