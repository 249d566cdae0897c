"""The interface as a whole: places, messages from the screens, and watching what others change."""

import asyncio
import os
from collections.abc import Awaitable, Callable, Iterable
from functools import partial
from typing import Any, ClassVar

from textual import work
from textual.app import App, SystemCommand
from textual.events import Event, Key
from textual.screen import Screen
from textual.timer import Timer

from runlog.tui.decisions import Outcome
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.help_screen import HelpScreen
from runlog.tui.key_queue import KeyQueue
from runlog.tui.keys import SCOPES, bound, everywhere
from runlog.tui.live import LiveWatch
from runlog.tui.look import DARK, THEMES
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import (
    Annotated,
    FramesWanted,
    Graded,
    NotedOnRig,
    PageOf,
    PlaceWanted,
    Said,
    ScanTold,
)
from runlog.tui.night_screen import NightScreen
from runlog.tui.scanning import Scans
from runlog.tui.session import Session
from runlog.tui.terminal import is_typed_into
from runlog.tui.theme import theme
from runlog.tui.weighs import Weighs

POLL_S = 1.0
SILENT_S = 3.0
SETTLE_AFTER_S = 1.5  # after the last decision, so that a quick hand is never waited for


# What the first paint does not show is imported after it: numpy and the rules of the totals alone
# take as long as the painting.


def _doubtful(session: Session) -> MainScreen:
    from runlog.tui.doubtful_screen import DoubtfulScreen

    return DoubtfulScreen(session)


def _totals(session: Session) -> MainScreen:
    from runlog.tui.totals_screen import TotalsScreen

    return TotalsScreen(session)


def _tonight(session: Session) -> MainScreen:
    from runlog.tui.tonight_screen import TonightScreen

    return TonightScreen(session)


def _rig(session: Session) -> MainScreen:
    from runlog.tui.rig_screen import RigScreen

    return RigScreen(session)


def _import_the_rest() -> None:
    import runlog.tui.doubtful_screen
    import runlog.tui.picture_screen
    import runlog.tui.rig_screen
    import runlog.tui.tonight_screen
    import runlog.tui.totals_screen  # noqa: F401 - so that the first press of its key is quick


PLACES: dict[str, Callable[[Session], MainScreen]] = {
    "night": NightScreen,
    "frames": FramesScreen,
    "doubtful": _doubtful,
    "totals": _totals,
    "tonight": _tonight,
    "rig": _rig,
}


class ReviewApp(App[None]):
    """The morning review of one database."""

    CSS_PATH = "runlog.tcss"
    TITLE = "runlog"
    BINDINGS: ClassVar[list[Any]] = [*bound(everywhere(several_rigs=True))]
    COMMAND_PALETTE_BINDING = "ctrl+p"

    def __init__(self, session: Session, *, begun_there: bool = False) -> None:
        """Review a session; `begun_there`: at a terminal, which may have gone by now."""
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.session, self._begun_there = session, begun_there
        session.plain, session.on_change = self.no_color, self._show_changes
        for place, screen in PLACES.items():
            self.add_mode(place, partial(screen, session))
        self.keys = KeyQueue(self, super().on_event)
        self.scans = Scans(session.database, session.config, self._tell_scan)
        self.live_watch = LiveWatch(session.database, session.config, self._tell_scan)
        self._settle_timer: Timer | None = None
        self._silent_ticks = 0
        for name, look in THEMES.items():
            self.register_theme(theme(look, name, dark=look is DARK))
        self.theme = "ansi-dark" if self.no_color else session.shade

    # --- start and end ----------------------------------------------------------------------

    def on_mount(self) -> None:
        """Open where one was, or on a night that is new since."""
        self.set_interval(POLL_S, self._look_again)
        if self._begun_there:
            self.set_interval(POLL_S, self._leave_if_hung_up)
        self.session.open()
        self.switch_mode(self.session.screen if self.session.screen in PLACES else "night")
        self.call_after_refresh(self._after_first_paint)

    def _leave_if_hung_up(self) -> None:
        """End when the terminal has gone: not every one says so by a signal."""
        if not is_typed_into():
            self.exit()

    def _after_first_paint(self) -> None:
        for character in filter(str.isalnum, self.session.terminal.typed):
            self.post_message(Key(character, character))
        self._settle()
        self._import_beside()

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Name the colours of ours that any theme must have."""
        return {"quiet": "ansi_default", "cursor": "ansi_default", "reject": "ansi_default"}

    async def action_quit(self) -> None:
        """Leave; decisions are stored as they are made, so there is nothing to save."""
        self.session.leave(self.current_mode if self.current_mode in PLACES else "night")
        self.scans.stop()
        self.live_watch.stop()
        self.exit()

    def on_unmount(self) -> None:
        """Leave no process behind."""
        self.session.aside.close()

    # --- where one is -----------------------------------------------------------------------

    async def action_go(self, place: str) -> None:
        """Go to one of the six places."""
        if self.current_mode == place:
            while len(self.screen_stack) > 1:
                await self.pop_screen()
            return
        await self.switch_mode(place)

    async def on_place_wanted(self, message: PlaceWanted) -> None:
        """Go where a screen leads."""
        await self.action_go(message.place)

    async def on_frames_wanted(self, message: FramesWanted) -> None:
        """List frames, on the screen that does."""
        await self.action_go("frames")
        self.call_after_refresh(self._find, message)

    def _find(self, wanted: FramesWanted) -> None:
        if isinstance(self.screen, FramesScreen):
            self.screen.find(wanted.words, wanted.every_night, wanted.back)

    async def on_event(self, event: Event) -> None:
        """Let keys wait for one another; everything else comes as it comes."""
        if isinstance(event, Key) and not event.is_forwarded:
            self.keys.take(event)
        else:
            await super().on_event(event)

    async def action_help(self) -> None:
        """Show the keys of this screen."""
        scope = getattr(self.screen, "scope", "")
        if scope in SCOPES:
            await self.push_screen(HelpScreen(scope, self.session.look, self.session.has_rigs))

    def action_shade(self) -> None:
        """Switch between light and dark."""
        if self.no_color:
            self.session.say("NO_COLOR is set: there is neither light nor dark")
            return
        dark = self.session.shade == "runlog-dark"
        self.theme = self.session.shade = "runlog-light" if dark else "runlog-dark"
        for screen in self._main_screens():
            screen.restyle()

    def action_zone(self) -> None:
        """Switch between the site's clock and UTC."""
        self.session.switch_zone()
        for screen in self._main_screens():
            screen.restyle()

    async def action_rigs(self) -> None:
        """See the next rig alone, or all of them; what is of one frame or night is left."""
        if not self.session.has_rigs:
            return
        while len(self.screen_stack) > 1 and not getattr(self.screen, "of_many_nights", False):
            await self.pop_screen()
        self.session.switch_rig()
        self._count_open()

    @work(group="count", exclusive=True)
    async def _count_open(self) -> None:
        await self.session.count_open()

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Offer every key of this screen, and of everywhere, by name."""
        scope = getattr(screen, "scope", "")
        own = SCOPES[scope][1] if scope in SCOPES else ()
        for key in (*own, *everywhere(self.session.has_rigs)):
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

    # --- what is said, and what changed -----------------------------------------------------

    def on_said(self, message: Said) -> None:
        """Show a screen's words on what just happened."""
        self.session.say(message.words)

    def _main_screens(self) -> list[MainScreen]:
        return [s for s in self.screen_stack if isinstance(s, MainScreen) and s.is_mounted]

    def _show_changes(self) -> None:
        if self.is_running:
            for screen in self._main_screens():
                screen.catch_up()

    @work(group="import")
    async def _import_beside(self) -> None:
        await asyncio.to_thread(_import_the_rest)

    @work(group="look")
    async def _look(self) -> None:
        await self.session.poll()

    @work(group="poll", exclusive=True)
    async def _poll(self) -> None:
        await self.session.poll()

    def _look_again(self) -> None:
        """Poll beside the keys; a database that does not answer is said to be silent."""
        self.session.forget_old_words()
        if all(worker.is_finished for worker in self.workers if worker.group == "look"):
            self._silent_ticks = 0
            self._look()
            return
        self._silent_ticks += 1
        if self._silent_ticks * POLL_S >= SILENT_S:
            self.session.no_answer()

    # --- decisions --------------------------------------------------------------------------

    def on_graded(self, message: Graded) -> None:
        """Store a decision."""
        self._carry_out(partial(self.session.decisions.grade, message.ids, message.grade))

    def on_annotated(self, message: Annotated) -> None:
        """Store a note."""
        self._carry_out(partial(self.session.decisions.annotate, message.ids, message.note))

    def on_noted_on_rig(self, said: NotedOnRig) -> None:
        """Store a note on a rig."""
        of = self.session.settings, said.rig, said.night, said.text, said.changed
        self._carry_out(partial(self.session.decisions.note_rig, *of))

    def action_undo(self) -> None:
        """Take the last decision back."""
        self._carry_out(self.session.decisions.undo)

    def action_redo(self) -> None:
        """Make it again."""
        self._carry_out(self.session.decisions.redo)

    @work(group="judge")
    async def _carry_out(self, decide: Callable[[], Awaitable[Outcome | None]]) -> None:
        """Show what a decision changed now; add it up when the hand rests."""
        for screen in self._main_screens():
            if isinstance(screen, Weighs):
                screen.unweigh()
        outcome = await decide()
        if outcome is None:
            return
        if outcome.taken_back and isinstance(self.screen, MainScreen):
            self.screen.point_to(outcome.taken_back)
        self.session.say(outcome.words)
        if outcome.stored:
            self._poll()
            self._settle_later()

    def _settle_later(self) -> None:
        if self._settle_timer is not None:
            self._settle_timer.stop()
        self._settle_timer = self.set_timer(SETTLE_AFTER_S, self._settle_beside)
        self.session.begin_adding_up()

    def _settle_beside(self) -> None:
        self._settle()  # a timer that waited for it would hold up the keys while it grades

    @work(group="settle")
    async def _settle(self) -> None:
        timer = self._settle_timer
        settled = await self.session.settle()
        if self._settle_timer is not timer:  # decided on while it settled: there is more to come
            self.session.begin_adding_up()
        elif not settled:
            self._settle_later()

    # --- pages to keep --------------------------------------------------------------------------

    def action_page(self) -> None:
        """Make a page of what is in view, beside the keys, and open it."""
        if self.session.making_page:
            self.session.say("A page is being made; the next one after it")
            return
        of = self.screen.page_in_view() if isinstance(self.screen, MainScreen) else None
        if of is None:
            self.session.say("A page is of a night with a date, of a target or of a season")
        else:
            self._make_page(of)

    @work(group="page")
    async def _make_page(self, of: PageOf) -> None:
        from runlog.tui.pages import page_words

        self.session.set_making_page(True)
        try:
            words = await page_words(self.session, of)
        finally:
            self.session.set_making_page(False)
        self.session.say(words)

    # --- scanning ---------------------------------------------------------------------------

    def action_scan(self) -> None:
        """Look for new frames; a second press stops it."""
        if self.scans.running:
            self.scans.stop()
            self.session.say("Stopping the scan after the frames in hand")
        else:
            self._scan()

    def action_live(self) -> None:
        """Watch for new frames, or no longer."""
        live = self.session.live = not self.session.live
        self.session.say("Live: new frames appear as they are taken" if live else "No longer live")
        if not live:
            self.live_watch.stop()
        elif not self.live_watch.running:
            self._watch()

    @work(group="watch")
    async def _watch(self) -> None:
        ended = await self.live_watch.run()
        if ended:
            self.session.live = False
            self.session.say(ended)
        elif self.session.live:  # it was wanted again while it ended
            self._watch()

    @work(group="scan")
    async def _scan(self) -> None:
        last = await self.scans.run()
        if last.found or not self.session.live:
            self.session.say(last.ended)
        await self.session.poll()

    def _tell_scan(self, words: str) -> None:
        self.post_message(ScanTold(words))

    def on_scan_told(self, message: ScanTold) -> None:
        """Show how a scan is doing."""
        self.session.set_scan(message.words)
