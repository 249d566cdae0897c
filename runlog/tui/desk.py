"""What the main screens share: top line, body, notice and keys, and reloading on change."""

from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.screen import Screen

from runlog.tui.keyline import KeyLine
from runlog.tui.masthead import Masthead
from runlog.tui.notice import Notice

if TYPE_CHECKING:
    from runlog.tui.app import ReviewApp

NARROW, WIDE = 60, 120
LOW, HIGH = 12, 36


class Desk(Screen[None]):
    """One of the main screens."""

    scope: ClassVar[str] = ""
    place: ClassVar[str] = ""  # which place of the top line it belongs to
    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (NARROW, "-plain"), (WIDE, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-flat"), (LOW, "-low"), (HIGH, "-tall")]  # noqa: RUF012

    def __init__(self) -> None:
        super().__init__()
        self._shown: tuple[object, ...] | None = None

    @property
    def review(self) -> "ReviewApp":
        """The app, by its own type."""
        return cast("ReviewApp", self.app)

    def compose(self) -> ComposeResult:
        """Frame the body of the screen."""
        yield Masthead(self.place)
        yield from self.body()
        yield Notice()
        yield KeyLine(self.scope)

    def body(self) -> ComposeResult:
        """What lies between the top line and the notice."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Catch up with what happened while another screen was in front."""
        self.catch_up()

    def catch_up(self) -> None:
        """Reload when the night or the data changed since this screen was filled."""
        self.query_one(Notice).said = self.review.said
        self.query_one(Notice).trouble = self.review.trouble
        self.query_one(Notice).scan = self.review.scan_words
        self.query_one(Masthead).refresh()
        now = self.stand()
        if now != self._shown:
            self._shown = now
            self.reload()

    def stand(self) -> tuple[object, ...]:
        """What this screen's content depends on."""
        run = self.review.here
        return (run.id if run else None, self.review.version, self.review.theme)

    def reload(self) -> None:
        """Load the content again."""
        raise NotImplementedError

    async def caught_up(self) -> None:
        """Wait until the next key can mean what its sender sees, or would see a moment later."""

    def point_to(self, ids: list[int]) -> None:
        """Turn to frames whose decision was taken back, where this screen shows frames."""

    def restyle(self) -> None:
        """Write and draw again in other colours."""
        self.catch_up()
        for widget in self.query("*"):
            widget.refresh()
