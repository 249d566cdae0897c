"""The interface as a whole: places, decisions, and watching what others change."""

import asyncio
import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from sqlalchemy import Engine
from textual.app import App, SystemCommand
from textual.screen import Screen
from textual.timer import Timer

from runlog.actions import judge as judging
from runlog.actions import review as reading
from runlog.actions.judge import Step
from runlog.actions.review import RunLine
from runlog.config import Settings
from runlog.errors import RunlogError
from runlog.tui import memory
from runlog.tui.desk import Desk
from runlog.tui.doubtful_screen import DoubtfulScreen
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.help_screen import HelpScreen
from runlog.tui.keys import EVERYWHERE, SCOPES, bound
from runlog.tui.look import DARK, PLAIN, THEMES, Look, theme
from runlog.tui.night_screen import NightScreen
from runlog.tui.scanning import ScanProcess
from runlog.tui.text import count
from runlog.tui.totals_screen import TotalsScreen

POLL_S = 1.0
SETTLE_AFTER_S = 1.5  # after the last decision, so that a quick hand is never waited for
SAY_S = 8.0
LIVE_EVERY_S = 30.0
Result = TypeVar("Result")


class ReviewApp(App[None]):
    """The morning review of one database."""

    CSS_PATH = "runlog.tcss"
    TITLE = "runlog"
    BINDINGS: ClassVar[list[Any]] = [*bound(EVERYWHERE)]
    MODES: ClassVar[dict[str, Any]] = {
        "night": NightScreen,
        "frames": FramesScreen,
        "doubtful": DoubtfulScreen,
        "totals": TotalsScreen,
    }
    COMMAND_PALETTE_BINDING = "ctrl+p"

    def __init__(
        self,
        engine: Engine,
        settings: Settings,
        *,
        who: str,
        database: str,
        config: Path | None = None,
        state_file: Path | None = None,
    ) -> None:
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.engine, self.settings, self.who = engine, settings, who
        self.database, self.config = database, config
        self.state_file = state_file or memory.default_file()
        self.place = memory.recall(self.state_file, database)
        self.runs: list[RunLine] = []
        self.run_at = -1
        self.open_count = 0
        self.version = 0
        self.said = self.trouble = self.scan_words = ""
        self.live = False
        self._token: tuple[int, ...] | None = None
        self._done: list[Step] = []
        self._undone: list[Step] = []
        self._writes = asyncio.Lock()
        self._settle_timer: Timer | None = None
        self._say_timer: Timer | None = None
        self._scan: ScanProcess | None = None
        for name, look in THEMES.items():
            self.register_theme(theme(look, name, dark=look is DARK))

    # --- start and end ----------------------------------------------------------------------

    def on_mount(self) -> None:
        """Open where one was, or on a night that is new since."""
        self.theme = "ansi-dark" if self.no_color else self._known_shade()
        self.set_interval(POLL_S, self.poll)
        self.set_interval(LIVE_EVERY_S, self._live_tick)
        self._open(self._load_runs())
        self.switch_mode(self.place.screen if self.place.screen in self.MODES else "night")

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Name the colours of ours that any theme must have."""
        return {"quiet": "ansi_default", "cursor": "ansi_default"}

    def _known_shade(self) -> str:
        return self.place.shade if self.place.shade in THEMES else "runlog-dark"

    def _load_runs(self) -> list[RunLine]:
        """Load the nights before the first paint: a line a night, whatever the frames."""
        try:
            self._token = reading.change_token(self.engine)
            return reading.run_lines(self.engine)
        except RunlogError as error:
            self.trouble = str(error).replace("\n", " ")
            return []

    def _open(self, runs: list[RunLine]) -> None:
        self.runs = runs
        self.run_at = len(runs) - 1
        if not runs or runs[-1].night != self.place.latest_night:
            self.place = memory.Place(shade=self.place.shade, order=self.place.order)
            return
        for i, run in enumerate(runs):
            if (run.night, run.rig) == (self.place.night, self.place.rig):
                self.run_at = i

    def action_quit(self) -> Any:  # type: ignore[override]
        """Leave; decisions are stored as they are made, so there is nothing to save."""
        self._remember()
        if self._scan is not None:
            self._scan.stop()
        self.exit()

    def _remember(self) -> None:
        run = self.run
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
    def run(self) -> RunLine | None:
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

    def action_go(self, place: str) -> None:
        """Go to one of the four places."""
        if self.current_mode == place:
            while len(self.screen_stack) > 1:
                self.pop_screen()
            return
        self.switch_mode(place)

    def action_help(self) -> None:
        """Show the keys of this screen."""
        scope = getattr(self.screen, "scope", "")
        if scope in SCOPES:
            self.push_screen(HelpScreen(scope))

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

        return lambda: self.call_later(run)

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

    def set_trouble(self, words: str) -> None:
        """Say that something is wrong until it is right again."""
        if words != self.trouble:
            self.trouble = words
            self._tell_screens()

    # --- asking the database, never on the thread that paints -------------------------------

    async def ask(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query in a thread; None, and the trouble in words, when the database is lost."""
        try:
            result = await asyncio.to_thread(self._guarded, work, *args)
        except RunlogError as error:
            self.set_trouble(str(error).replace("\n", " "))
            return None
        return result

    def _guarded(self, work: Callable[..., Result], *args: Any) -> Result:
        url = self.engine.url
        if url.get_backend_name() == "sqlite" and not os.path.exists(url.database or ""):
            # Opening would make a new, empty one in its place.
            raise RunlogError("The database is gone", str(url.database), "Waiting for it to return")
        return work(*args)

    async def poll(self) -> None:
        """See whether anybody, here or elsewhere, changed anything."""
        token = await self.ask(reading.change_token, self.engine)
        if token is None:
            return
        self.set_trouble("")
        if token != self._token:
            self._token = token
            await self.renew()

    async def renew(self) -> None:
        """Load the nights again and let the screens follow."""
        runs = await self.ask(reading.run_lines, self.engine)
        if runs is None:
            return
        here = self.run
        at_end = self.run_at == len(self.runs) - 1
        self.runs = runs
        self.run_at = self._find_run(here, at_end)
        self.version += 1
        await self._count_open()
        self._tell_screens()

    def _find_run(self, here: RunLine | None, at_end: bool) -> int:
        """Stay with the run in view; whoever watches the last night follows to a newer one."""
        for i, run in enumerate(self.runs):
            if here is not None and run.id == here.id and not (at_end and self.live):
                return i
        return len(self.runs) - 1

    async def _count_open(self) -> None:
        run = self.run
        found = await self.ask(reading.open_count, self.engine, run.id if run else None)
        self.open_count = found or 0

    # --- decisions --------------------------------------------------------------------------

    async def judge(self, ids: Sequence[int], grade: str) -> None:
        """Store a decision, keep it for undo, and let the screens follow."""
        step = await self._write(judging.judge, list(ids), grade, self.who)
        if step is not None:
            said = "given back to the automatic grade" if grade == "auto" else f"marked {grade}"
            self._decided(step, f"{count(step.frames, 'frame')} {said} (u undoes)")

    async def annotate(self, ids: Sequence[int], note: str) -> None:
        """Store a note."""
        step = await self._write(judging.annotate, list(ids), note.strip() or None, self.who)
        if step is not None:
            self._decided(step, f"Note on {count(step.frames, 'frame')} (u undoes)")

    def _decided(self, step: Step, words: str) -> None:
        self._done.append(step)
        self._undone.clear()
        self.say(words)
        self._follow_up()

    async def _write(self, work: Callable[..., Step], *args: Any) -> Step | None:
        async with self._writes:  # one after another, in the order of the keys
            return await self.ask(work, self.engine, *args)

    def _follow_up(self) -> None:
        """Show what a decision changed now; add it up when the hand rests."""
        self.run_worker(self.poll(), group="poll", exclusive=True)
        if self._settle_timer is not None:
            self._settle_timer.stop()
        self._settle_timer = self.set_timer(SETTLE_AFTER_S, self._settle)

    async def _settle(self) -> None:
        await self.ask(reading.settle_now, self.engine, self.settings)
        await self.poll()

    def action_undo(self) -> None:
        """Take the last decision back."""
        self.run_worker(self._walk_back(self._done, self._undone, "Taken back"), group="undo")

    def action_redo(self) -> None:
        """Make it again."""
        self.run_worker(self._walk_back(self._undone, self._done, "Made again"), group="undo")

    async def _walk_back(self, steps: list[Step], others: list[Step], word: str) -> None:
        if not steps:
            self.say("Nothing to take back" if steps is self._done else "Nothing to make again")
            return
        step = steps.pop()
        back = await self._write(judging.take_back, step, self.who)
        if back is None:
            steps.append(step)
            return
        others.append(back)
        left = step.frames - back.frames
        by = f"; {count(left, 'frame')} since marked by {', '.join(back.passed_over)} left alone"
        self.say(f"{word}: {count(back.frames, 'frame')}{by if left else ''}")
        self._follow_up()

    # --- scanning ---------------------------------------------------------------------------

    def action_scan(self) -> None:
        """Start looking for new frames; a second press stops it."""
        if self._scan is not None:
            self._scan.stop()
            self.say("Stopping the scan after the frames in hand")
            return
        self.run_worker(self._run_scan(), group="scan")

    def action_live(self) -> None:
        """Keep looking for new frames."""
        self.live = not self.live
        self.say("Live: new frames appear as they are taken" if self.live else "No longer live")
        if self.live and self._scan is None:
            self.run_worker(self._run_scan(), group="scan")
        self._set_scan_words("")

    async def _live_tick(self) -> None:
        if self.live and self._scan is None:
            self.run_worker(self._run_scan(), group="scan")

    async def _run_scan(self) -> None:
        self._scan = ScanProcess(self.database, self.config)
        ended = ""
        try:
            self._set_scan_words("looking …")
            async for progress in self._scan.run():
                self._set_scan_words(progress.words)
                ended = progress.ended or ended
        finally:
            self._scan = None
            self._set_scan_words("")
        with suppress(Exception):
            self.say(ended)
        await self.poll()

    def _set_scan_words(self, words: str) -> None:
        self.scan_words = f"live · {words}" if self.live and words else words or (
            "live" if self.live else "")  # fmt: skip
        self._tell_screens()
