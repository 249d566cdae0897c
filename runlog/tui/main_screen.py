"""What the main screens share: top line, body, notice and keys, and reloading on change."""

from asyncio import CancelledError, sleep
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar, cast

from textual.app import ComposeResult
from textual.screen import Screen

from runlog.core.selection import Selection
from runlog.tui.keyline import KeyLine
from runlog.tui.masthead import Masthead
from runlog.tui.messages import Annotated, PageOf, Said
from runlog.tui.note_screen import NoteScreen
from runlog.tui.notice import Notice
from runlog.tui.session import Session
from runlog.tui.text import safe

if TYPE_CHECKING:
    from runlog.tui.app import ReviewApp

KEY_S = 0.01  # between two looks whether all keys are worked off
NARROW, WIDE = 60, 120
LOW, HIGH = 12, 36
Result = TypeVar("Result")


class MainScreen(Screen[None]):
    """A screen of the review: it shows the session and reports what a person wants."""

    scope: ClassVar[str] = ""
    place: ClassVar[str] = ""  # which place of the top line it belongs to
    of_many_nights: ClassVar[bool] = False  # it stays, lying on a place, when the rig changes
    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (NARROW, "-plain"), (WIDE, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-flat"), (LOW, "-low"), (HIGH, "-tall")]  # noqa: RUF012

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self._shown: tuple[object, ...] | None = None

    def compose(self) -> ComposeResult:
        """Frame the body of the screen."""
        yield Masthead(self.session, self.place)
        yield from self.body()
        yield Notice(self.session)
        yield KeyLine(self.session, self.scope)

    def body(self) -> ComposeResult:
        """What lies between the top line and the notice."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Catch up with what happened while another screen was in front."""
        self.catch_up()

    def catch_up(self) -> None:
        """Reload when the night or the data changed since this screen was filled."""
        self.query_one(Notice).catch_up()
        self.query_one(Masthead).refresh()
        self.query_one(KeyLine).refresh()
        now = self.depends_on()
        if now != self._shown:
            self._shown = now
            self.reload()

    def depends_on(self) -> tuple[object, ...]:
        """What this screen's content was made of; it is loaded again when that changes."""
        run = self.session.here
        return (run.id if run else None, self.session.version, self.session.look,
                self.session.zone, self.session.view)  # fmt: skip

    def reload(self) -> None:
        """Load the content again."""
        raise NotImplementedError

    async def caught_up(self) -> None:
        """Wait until the next key can mean what its sender sees, or would see a moment later."""

    async def keys_done(self, unless: Callable[[], bool] = lambda: False) -> None:
        """Wait until keys that were typed have acted on what was in view when they were."""
        while cast("ReviewApp", self.app).keys.at_work and not unless():
            await sleep(KEY_S)

    def point_to(self, ids: Sequence[int]) -> None:
        """Turn to frames whose decision was taken back, where this screen shows frames."""

    def restyle(self) -> None:
        """Write and draw again in other colours."""
        self.catch_up()
        for widget in self.query("*"):
            widget.refresh()

    # --- what every screen asks and tells -----------------------------------------------------

    async def ask(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query beside the painting; ends the asking worker when this screen is left."""
        return self._if_here(await self.session.ask(work, *args))

    async def ask_much(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query that reads many frames, so that no key waits for it."""
        return self._if_here(await self.session.ask_much(work, *args))

    def _if_here(self, found: Result) -> Result:
        if not (self.is_attached and self.display):
            raise CancelledError
        return found

    async def ask_where_to_export(self, selection: Selection, what: str) -> None:
        """Let a person say where kept frames are to be exported to."""
        from runlog.tui.export_screen import ExportScreen

        def told(words: str | None) -> None:
            if words is not None:
                self.say(safe(words))

        await self.app.push_screen(ExportScreen(self.session, selection, what), told)

    async def action_losses(self) -> None:
        """Show what cost light this season."""
        from runlog.tui.losses_screen import LossesScreen

        await self.app.push_screen(LossesScreen(self.session))

    def page_in_view(self) -> PageOf | None:
        """Say what a page to keep would be about: the night in view, on most screens."""

        run = self.session.here
        return PageOf("night", run.night) if run is not None and run.night else None

    # --- the file of the frame in view ---------------------------------------------------------

    def frame_in_view(self) -> int | None:
        """Name the frame that keys on files are about; None where there is none."""
        return None

    async def action_copy_path(self) -> None:
        """Copy the path of the file of the frame in view, by way of the terminal."""
        from runlog.actions.frame_files import file_path

        frame_id = self.frame_in_view()
        found = None if frame_id is None else await self.ask(file_path, frame_id)
        if found is None:
            self.say("No file is known of it")
            return
        self.app.copy_to_clipboard(safe(found[0]))
        gone = " (not there now)" if found[1] else ""
        self.say(f"Copied{gone}: {safe(found[0])}")

    async def action_open_file(self) -> None:
        """Open the file of the frame in view in the program the config names."""
        from runlog.actions.frame_files import open_file

        frame_id = self.frame_in_view()
        if frame_id is not None:
            opened = await self.ask(open_file, self.session.settings, frame_id)
            if opened is not None:
                self.say(f"Opened: {safe(opened)}")

    def say(self, words: str) -> None:
        """Say what just happened."""
        self.post_message(Said(words))

    async def ask_for_note(self, ids: Sequence[int]) -> None:
        """Let a person write a note on frames."""

        def store(note: str | None) -> None:
            if note is not None:
                self.post_message(Annotated(ids, note))

        await self.app.push_screen(NoteScreen(len(ids)), store)
