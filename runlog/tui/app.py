"""The interface as a whole: places, decisions, and watching what others change."""

import asyncio
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from textual.app import App, SystemCommand
from textual.events import Event, Key
from textual.screen import Screen
from textual.timer import Timer
from textual.worker import NoActiveWorker, get_current_worker

from runlog.actions import review as reading
from runlog.actions.open import Database
from runlog.actions.queue import open_count
from runlog.actions.review import RunLine
from runlog.config import Settings
from runlog.errors import RunlogError, StoreError
from runlog.tui import memory
from runlog.tui.access import Access
from runlog.tui.decisions import Decisions
from runlog.tui.desk import Desk
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.help_screen import HelpScreen
from runlog.tui.keys import EVERYWHERE, SCOPES, bound
from runlog.tui.look import DARK, PLAIN, THEMES, Look, theme
from runlog.tui.night_screen import NightScreen
from runlog.tui.scanning import Scans
from runlog.tui.terminal import Terminal
from runlog.tui.text import plainly
from runlog.tui.typed import Typed

POLL_S = 1.0
SILENT_S = 3.0
SAY_S = 8.0
LIVE_EVERY_S = 30.0
Result = TypeVar("Result")


# What the first paint does not show is imported after it: numpy and the rules of the totals alone
# take as long as the painting.


def _doubtful() -> Screen[Any]:
    from runlog.tui.doubtful_screen import DoubtfulScreen

    return DoubtfulScreen()


def _totals() -> Screen[Any]:
    from runlog.tui.totals_screen import TotalsScreen

    return TotalsScreen()


def _import_the_rest() -> None:
    import runlog.tui.doubtful_screen
    import runlog.tui.picture_screen
    import runlog.tui.totals_screen  # noqa: F401 - so that the first press of its key is quick


class ReviewApp(App[None]):
    """The morning review of one database."""

    CSS_PATH = "runlog.tcss"
    TITLE = "runlog"
    BINDINGS: ClassVar[list[Any]] = [*bound(EVERYWHERE)]
    MODES: ClassVar[dict[str, Any]] = {
        "night": NightScreen,
        "frames": FramesScreen,
        "doubtful": _doubtful,
        "totals": _totals,
    }
    COMMAND_PALETTE_BINDING = "ctrl+p"

    def __init__(
        self,
        engine: Database,
        settings: Settings,
        *,
        who: str,
        database: str,
        config: Path | None = None,
        state_file: Path | None = None,
        terminal: Terminal | None = None,
    ) -> None:
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.engine, self.settings, self.who = engine, settings, who
        self.database, self.config = database, config
        self.terminal = terminal or Terminal()
        self.state_file = state_file or memory.default_file()
        self.place = memory.recall(self.state_file, database)
        self.runs: list[RunLine] = []
        self.run_at = -1
        self.open_count = 0
        self.version = 0
        self.typed = Typed(self, super().on_event)
        self.said = self.trouble = self.scan_words = ""
        self.access = Access(engine)
        self.decisions = Decisions(self)
        self.scans = Scans(self)
        self._token: tuple[int, ...] | None = None
        self._say_timer: Timer | None = None
        self._silent_ticks = 0
        self._failed: tuple[Callable[..., Any], tuple[Any, ...]] | None = None  # ends the trouble
        for name, look in THEMES.items():
            self.register_theme(theme(look, name, dark=look is DARK))
        self.theme = "ansi-dark" if self.no_color else self._known_shade()

    # --- start and end ----------------------------------------------------------------------

    def on_mount(self) -> None:
        """Open where one was, or on a night that is new since."""
        self.set_interval(POLL_S, self._look_again)
        self.set_interval(LIVE_EVERY_S, self.scans.tick)
        self._open(self._load_runs())
        self.open_count = self._count_now()
        self.switch_mode(self.place.screen if self.place.screen in self.MODES else "night")
        self.call_after_refresh(self._after_first_paint)

    def _after_first_paint(self) -> None:
        for character in filter(str.isalnum, self.terminal.typed):
            self.post_message(Key(character, character))
        self.run_worker(self.decisions.settle(), group="settle")
        self.run_worker(asyncio.to_thread(_import_the_rest), group="import")

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Name the colours of ours that any theme must have."""
        return {"quiet": "ansi_default", "cursor": "ansi_default"}

    def _known_shade(self) -> str:
        return self.place.shade if self.place.shade in THEMES else "runlog-dark"

    def _load_runs(self) -> list[RunLine]:
        """Load the nights before the first paint: a line a night, whatever the frames."""
        try:
            self._token = self.access.now(reading.change_token, self.engine)
            return self.access.now(reading.run_lines, self.engine)
        except RunlogError as error:
            self._begin_with(error, reading.run_lines, self.engine)
            return []

    def _count_now(self) -> int:
        if self.here is None:
            return 0
        try:
            return self.access.now(open_count, self.engine, self.here.id)
        except RunlogError as error:
            self._begin_with(error, open_count, self.engine, self.here.id)
            return 0

    def _begin_with(self, error: RunlogError, work: Callable[..., Any], *args: Any) -> None:
        self.trouble, self._failed = plainly(error), (work, args)

    def _open(self, runs: list[RunLine]) -> None:
        self.runs = runs
        self.run_at = len(runs) - 1
        if not runs or runs[-1].night != self.place.latest_night:
            self.place = memory.Place(shade=self.place.shade, order=self.place.order)
            return
        for i, run in enumerate(runs):
            if (run.night, run.rig) == (self.place.night, self.place.rig):
                self.run_at = i

    async def action_quit(self) -> None:
        """Leave; decisions are stored as they are made, so there is nothing to save."""
        self._remember()
        self.scans.stop()
        self.exit()

    def _remember(self) -> None:
        run = self.here
        frames = self._screen_of(FramesScreen)
        listed = frames.memory() if frames else {}
        place = memory.Place(
            screen=self.current_mode if self.current_mode in self.MODES else "night",
            night=run.night if run else "",
            rig=run.rig if run else "",
            latest_night=self.runs[-1].night if self.runs else "",
            shade=self.place.shade if self.no_color else self.theme,
            **listed,
        )
        memory.remember(self.state_file, self.database, place)

    def _screen_of(self, kind: type[Desk]) -> Any:
        for stack in self._screen_stacks.values():
            for screen in stack:
                if isinstance(screen, kind):
                    return screen
        return None

    # --- where one is -----------------------------------------------------------------------

    @property
    def here(self) -> RunLine | None:
        """The run in view."""
        return self.runs[self.run_at] if 0 <= self.run_at < len(self.runs) else None

    @property
    def look(self) -> Look:
        """The colours in force."""
        return PLAIN if self.no_color else THEMES.get(self.theme, DARK)

    def show_run(self, at: int) -> bool:
        """Turn to another run; False when there is none."""
        if not 0 <= at < len(self.runs) or at == self.run_at:
            return False
        self.run_at = at
        self.catch_up()
        return True

    async def action_go(self, place: str) -> None:
        """Go to one of the four places."""
        if self.current_mode == place:
            while len(self.screen_stack) > 1:
                await self.pop_screen()
            return
        await self.switch_mode(place)

    async def open_frames(self, words: str, *, every_night: bool = False, back: str) -> None:
        """List the frames that words find; Escape there leads back to a place."""
        await self.action_go("frames")
        self.call_after_refresh(self._find, words, every_night, back)

    def _find(self, words: str, every_night: bool, back: str) -> None:
        if isinstance(self.screen, FramesScreen):
            self.screen.find(words, every_night, back)

    async def on_event(self, event: Event) -> None:
        """Let keys wait for one another; everything else comes as it comes."""
        if isinstance(event, Key) and not event.is_forwarded:
            self.typed.take(event)
        else:
            await super().on_event(event)

    async def action_help(self) -> None:
        """Show the keys of this screen."""
        scope = getattr(self.screen, "scope", "")
        if scope in SCOPES:
            await self.push_screen(HelpScreen(scope))

    def action_shade(self) -> None:
        """Switch between light and dark."""
        if self.no_color:
            self.say("NO_COLOR is set: there is neither light nor dark")
            return
        self.theme = "runlog-light" if self.theme == "runlog-dark" else "runlog-dark"
        for screen in self.screen_stack:
            if isinstance(screen, Desk):
                screen.restyle()

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Offer every key of this screen, and of everywhere, by name."""
        scope = getattr(screen, "scope", "")
        own = SCOPES[scope][1] if scope in SCOPES else ()
        for key in (*own, *EVERYWHERE):
            if key.id != "all.palette":
                yield SystemCommand(
                    f"{key.label[:1].upper()}{key.label[1:]}  ({key.shown})",
                    key.help,
                    self._runner(key.action, screen),
                )

    def _runner(self, action: str, screen: Screen[Any]) -> Callable[[], None]:
        async def run() -> None:
            name = action.split("(")[0]
            await self.run_action(action, screen if hasattr(screen, f"action_{name}") else self)

        def start() -> None:
            self.call_later(run)

        return start

    # --- talking ----------------------------------------------------------------------------

    def say(self, words: str) -> None:
        """Say what just happened, for a while."""
        self.said = words
        if self._say_timer is not None:
            self._say_timer.stop()
        self._say_timer = self.set_timer(SAY_S, lambda: self.say("")) if words else None
        self._tell_screens()

    def _tell_screens(self) -> None:
        for screen in self.screen_stack:
            if isinstance(screen, Desk) and screen.is_mounted:
                screen.catch_up()

    catch_up = _tell_screens

    def point_to(self, ids: list[int]) -> None:
        """Let the screen in front turn to frames whose decision was taken back."""
        if isinstance(self.screen, Desk):
            self.screen.point_to(ids)

    def set_scan_words(self, words: str) -> None:
        """Say how a scan is doing."""
        self.scan_words = words
        self._tell_screens()

    def set_trouble(self, words: str) -> None:
        """Say that something is wrong until it is right again."""
        if words != self.trouble:
            self.trouble = words
            self._tell_screens()

    # --- asking the database, never on the thread that paints -------------------------------

    async def ask(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query in a thread; None when the database is lost, said until it answers again.

        Whoever asked may have left meanwhile; then the asking worker ends here.
        """
        result, error = await self.access.in_thread(work, *args)
        if self._asker_left():
            raise asyncio.CancelledError
        if isinstance(error, StoreError):
            self._failed = work, args
            self.set_trouble(plainly(error))
        elif error is not None:
            self.say(plainly(error))
        elif self._failed and work is self._failed[0]:
            self._failed = None
            self.set_trouble("")
        return result

    async def store(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Write in a thread; None, and said, when it was not stored."""
        result, error = await self.access.in_thread(work, *args)
        if error is not None:
            self.say(f"Not stored: {plainly(error)}")
            await self.renew()  # shows again what is stored
        return result

    def _asker_left(self) -> bool:
        if not self.is_running:
            return True
        try:
            node = get_current_worker().node
        except NoActiveWorker:
            return False
        return node is not self and (not node.is_attached or node._pruning)

    def _look_again(self) -> None:
        """Poll beside the keys; a database that does not answer is said to be silent."""
        at_it = [w for w in self.workers if w.group == "look" and not w.is_finished]
        if not at_it:
            self._silent_ticks = 0
            self.run_worker(self.poll(), group="look")
            return
        self._silent_ticks += 1
        if self._silent_ticks * POLL_S >= SILENT_S:
            self._failed = reading.change_token, (self.engine,)
            self.set_trouble("The database does not answer: another program holds it, or its "
                             "disk or network is slow. Waiting")  # fmt: skip

    async def poll(self) -> None:
        """See whether anybody, here or elsewhere, changed anything."""
        lost = bool(self.trouble)
        if self._failed:  # only its success tells that what it asked for is right again
            await self.ask(self._failed[0], *self._failed[1])
        token = await self.ask(reading.change_token, self.engine)
        if token is None or self.trouble:
            return
        if token != self._token or lost:
            self._token = token
            await self.renew()

    async def renew(self) -> None:
        """Load the nights again and let the screens follow."""
        runs = await self.ask(reading.run_lines, self.engine)
        if runs is None:
            return
        here = self.here
        at_end = self.run_at == len(self.runs) - 1
        self.runs = runs
        self.run_at = self._find_run(here, at_end)
        self.version += 1
        await self.count_open()
        self._tell_screens()

    def _find_run(self, here: RunLine | None, at_end: bool) -> int:
        """Stay with the run in view; whoever watches the last night follows to a newer one."""
        for i, run in enumerate(self.runs):
            if here is not None and run.id == here.id and not (at_end and self.scans.live):
                return i
        return len(self.runs) - 1

    async def count_open(self) -> None:
        """Count what waits for a decision in the night in view."""
        run = self.here
        found = await self.ask(open_count, self.engine, run.id if run else None)
        if found is not None:
            self.open_count = found

    # --- keys that work everywhere ----------------------------------------------------------

    def action_undo(self) -> None:
        """Take the last decision back."""
        self.run_worker(self.decisions.undo(), group="judge")

    def action_redo(self) -> None:
        """Make it again."""
        self.run_worker(self.decisions.redo(), group="judge")

    def action_scan(self) -> None:
        """Look for new frames; a second press stops it."""
        self.scans.toggle()

    def action_live(self) -> None:
        """Keep looking for new frames."""
        self.scans.toggle_live()
