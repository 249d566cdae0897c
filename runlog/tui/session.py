"""The sitting: what is open, what is asked, what is decided, and what others changed meanwhile.

It knows no screen. Whoever draws is told by `on_change`, and reads what there is now.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from runlog.actions import review as reading
from runlog.actions.open import Database
from runlog.actions.queue import open_count
from runlog.actions.review import NOBODY, RunLine, settle_now
from runlog.actions.zone import zone_of_site
from runlog.config import Settings
from runlog.core.plain_words import Asked, Vocabulary, understand
from runlog.core.selection import EVERYTHING, SORTABLE, Order, Selection
from runlog.core.times import IN_UTC, Zone
from runlog.errors import RunlogError, StoreError
from runlog.tui import last_visit
from runlog.tui.aside import Aside
from runlog.tui.decisions import Decisions
from runlog.tui.in_view import ALL, InView, round_of
from runlog.tui.last_visit import LastVisit
from runlog.tui.look import DARK, PLAIN, THEMES, Look
from runlog.tui.queries import Queries
from runlog.tui.terminal import Terminal
from runlog.tui.text import evening_of, plainly, safe

MOST_FINDS = 30
MANY_FRAMES = 5_000  # are read in less time than a process takes to begin
SAY_S = 8.0  # how long words on what just happened stand
SILENT = ("The database does not answer: another program holds it, or its disk or network is "
          "slow. Waiting")  # fmt: skip
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Listing:
    """What the list of frames is asked for."""

    words: str = ""
    order: Order = field(default_factory=Order)
    every_night: bool = False
    known: Vocabulary | None = field(default=None, compare=False)  # for reading the words
    ahead_s: int = 0  # of UTC, the clock that times of day in the words are by

    @property
    def meant(self) -> Asked:
        """What the words mean, as far as they go."""
        return understand(self.words, self.known, self.ahead_s)

    def of_run(self, run: RunLine | None, chosen: Selection = EVERYTHING) -> Selection:
        """What is asked for while a night is in view; of all nights, those of the rigs chosen."""
        meant = self.meant
        everywhere = self.every_night or meant.names_a_night or run is None
        if everywhere or run is None:
            return replace(chosen, terms=meant.terms)
        return Selection(run_id=run.id, terms=meant.terms)


class Session:
    """One database, open for one person's review."""

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
        utc: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.engine, self.settings, self.who = engine, settings, who
        self.database, self.config = database, config
        self.terminal = terminal or Terminal()
        self.on_change: Callable[[], object] = lambda: None
        self.every_run: list[RunLine] = []
        self.runs: list[RunLine] = []  # those of the rigs in view, oldest first
        self.rigs: list[str] = []  # that have nights, by name
        self.own = NOBODY  # the login, and the rigs that are its own
        self.run_at = -1
        self.open_count: int | None = 0  # None while it is being counted
        self.version = 0  # rises with every change of what is stored
        self.said = self.trouble = self.scan = ""
        self.live = self.plain = self.utc = False
        self.site_zone = IN_UTC  # until the database has told where the site is
        self.adding_up = False  # decisions are stored, depth and other nights not yet reckoned
        self.making_page = False
        self.worths: dict[tuple[int, ...], str] = {}  # of frames, by the grades as they are stored
        self.aside = Aside(database)
        self._queries = Queries(engine, self.aside)
        self.decisions = Decisions(self.store, self._queries.in_thread, who)
        self._token: tuple[int, ...] | None = None
        self._failed: tuple[Callable[..., Any], tuple[Any, ...]] | None = None  # ends the trouble
        self._clock, self._said_at = clock, 0.0
        self._state_file = state_file or last_visit.default_file()
        self._come_back(last_visit.recall(self._state_file, database))
        self.view = InView(self._last.only_rig, self._last.only_mine)  # until it proves gone
        self.utc = self.utc or utc

    # --- start and end ----------------------------------------------------------------------

    def _come_back(self, last: LastVisit) -> None:
        self._last = last
        self.screen, self.frame_id = last.screen, last.frame_id
        self.utc = last.utc
        self.shade = last.shade if last.shade in THEMES else "runlog-dark"
        by = Order(last.order, last.descending) if last.order in SORTABLE else Order()
        self.listing = Listing(last.words, by)
        self.finds = [words for words in last.finds.split("\n") if words]

    def open(self) -> None:
        """Load the nights before the first paint: a line a night, whatever the frames."""
        self._token = self._begin(reading.change_token)
        self.own = self._begin(reading.own) or NOBODY
        self._take_runs(self._begin(reading.run_lines) or [])
        self._choose_first()
        self.site_zone = self._begin(zone_of_site, self.settings) or IN_UTC
        self._set_clock()
        self.open_count = (self.here and self._begin(open_count, self.here.id)) or 0

    def _begin(self, work: Callable[..., Result], *args: Any) -> Result | None:
        if self.trouble:
            return None
        try:
            return self._queries.now(work, *args)
        except RunlogError as error:
            self.trouble, self._failed = plainly(error), (work, args)
            return None

    def _choose_first(self) -> None:
        """Open where one was, or on a night that is new since."""
        last, self.run_at = self._last, len(self.runs) - 1
        if not self.runs or self.runs[-1].night != last.latest_night:
            kept = ("shade", "utc", "order", "finds")
            self._come_back(LastVisit(**{name: getattr(last, name) for name in kept}))
            return
        for i, run in enumerate(self.runs):
            if (run.night, run.rig) == (last.night, last.rig):
                self.run_at = i

    def leave(self, screen: str) -> None:
        """Keep where one is; decisions are stored as they are made."""
        run, order = self.here, self.listing.order
        visit = LastVisit(
            screen=screen,
            night=run.night if run else "",
            rig=run.rig if run else "",
            latest_night=self.runs[-1].night if self.runs else "",
            words=self.listing.words,
            finds="\n".join(self.finds),
            order=order.column,
            descending=order.descending,
            frame_id=self.frame_id,
            shade=self.shade,
            only_rig=self.view.rig,
            only_mine=self.view.mine,
            utc=self.utc,
        )
        last_visit.remember(self._state_file, self.database, visit)

    # --- where one is -----------------------------------------------------------------------

    @property
    def here(self) -> RunLine | None:
        """The run in view."""
        return self.runs[self.run_at] if 0 <= self.run_at < len(self.runs) else None

    @property
    def has_rigs(self) -> bool:
        """Tell whether there are several rigs to choose from."""
        return len(self.rigs) > 1

    @property
    def chosen(self) -> Selection:
        """The frames of the rigs in view."""
        return EVERYTHING if self.view == ALL else Selection(rigs=self._rigs_in_view)

    @property
    def owner(self) -> str | None:
        """The login whose own goals are in view; None: everybody's are."""
        return self.own.login if self.view.mine else None

    @property
    def _rigs_in_view(self) -> tuple[str, ...]:
        if self.view.mine:
            return self.own.rigs_among(self.rigs)
        return (self.view.rig,) if self.view.rig else tuple(self.rigs)

    def _take_runs(self, runs: list[RunLine]) -> None:
        """Take the runs there are now; a view there is no longer gives way to all of them."""
        self.every_run, self.rigs = runs, sorted({run.rig for run in runs})
        self._see(self.view if self.view in round_of(self.rigs, self.own) else ALL)

    def _see(self, view: InView) -> None:
        self.view = view
        rigs = set(self._rigs_in_view)
        self.runs = [run for run in self.every_run if run.rig in rigs]

    def switch_rig(self) -> None:
        """Go on to what is in view next, after the last to all: the same night as far as it goes.

        After all rigs come a login's own where these are not all, then each rig alone.
        """
        here, ring = self.here, round_of(self.rigs, self.own)
        self._see(ring[(ring.index(self.view) + 1) % len(ring)])
        self.run_at, self.open_count = self._nearest_run(here), None
        self._set_clock()
        self.say(f"In view: {safe(self.view.label)}")

    def _nearest_run(self, here: RunLine | None) -> int:
        """Find a run among those in view, or its night, or the last one before, or the first."""
        runs = self.runs
        if here in runs:
            return runs.index(here)
        before = [i for i, run in enumerate(runs) if here and run.night <= here.night]
        return before[-1] if before else min(0, len(runs) - 1)

    @property
    def is_large(self) -> bool:
        """Tell whether reading all frames takes longer than a breath."""
        return sum(run.frames for run in self.every_run) >= MANY_FRAMES

    @property
    def _run_id(self) -> int | None:
        return self.here.id if self.here else None

    @property
    def look(self) -> Look:
        """The colours in force."""
        return PLAIN if self.plain else THEMES.get(self.shade, DARK)

    @property
    def zone(self) -> Zone:
        """The zone times are shown in."""
        return IN_UTC if self.utc else self.site_zone

    @property
    def zone_name(self) -> str:
        """What the zone is called in the night in view; of all nights, its clock's own name."""
        moment = evening_of(self.here.night) if self.here else None
        if self.listing.every_night or moment is None:
            return self._name_over_the_year()
        return "local" if self.zone.changes_near(moment) else self.zone.name(moment)

    def _name_over_the_year(self) -> str:
        """Name a zone whose clocks never change as ever, any other by what it is."""
        year = datetime.now(UTC).year
        names = {self.zone.name(datetime(year, month, 1, tzinfo=UTC)) for month in range(1, 13)}
        return names.pop() if len(names) == 1 else "local"

    def switch_zone(self) -> None:
        """Show times in UTC, or by the site's clock again."""
        self.utc = not self.utc
        self._set_clock()
        named = self.zone_name
        times = "the site's local ones" if named == "local" else f"in {named}"
        self.say(f"Times are {times}: {self.zone.why}")

    def show_run(self, at: int) -> bool:
        """Turn to another run; False when there is none."""
        if not 0 <= at < len(self.runs) or at == self.run_at:
            return False
        self.run_at, self.open_count = at, None
        self._set_clock()
        self.on_change()
        return True

    def _set_clock(self) -> None:
        """Read times of day in words by the clock of the night in view."""
        moment = (evening_of(self.here.night) if self.here else None) or datetime.now(UTC)
        offset = self.zone.local(moment).utcoffset()
        self.listing = replace(self.listing, ahead_s=int(offset.total_seconds()) if offset else 0)

    def ask_for(self, **changed: Any) -> None:
        """Ask the list for other words, another order or reach."""
        self.listing = replace(self.listing, **changed)

    def keep_find(self, words: str) -> None:
        """Remember what was looked for, the newest last and each once."""
        words = " ".join(words.split())
        if words:
            self.finds = [*(old for old in self.finds if old != words), words][-MOST_FINDS:]

    # --- talking ----------------------------------------------------------------------------

    def say(self, words: str) -> None:
        """Say what just happened, for a while."""
        self.said, self._said_at = words, self._clock()
        self.on_change()

    def forget_old_words(self) -> None:
        """Take back what was said long ago."""
        if self.said and self._clock() - self._said_at >= SAY_S:
            self.say("")

    def set_trouble(self, words: str) -> None:
        """Say that something is wrong until it is right again."""
        if words != self.trouble:
            self.trouble = words
            self.on_change()

    @property
    def scan_words(self) -> str:
        """Whether new frames are looked for all the time, and how a scan is doing."""
        adding = ["adding up …"] * self.adding_up + ["making a page …"] * self.making_page
        return " · ".join(adding + ["live"] * self.live + [self.scan] * bool(self.scan))

    def set_scan(self, words: str) -> None:
        """Say how a scan is doing."""
        self.scan = words
        self.on_change()

    def set_making_page(self, making: bool) -> None:
        """Say that a page is being made, or no longer."""
        self.making_page = making
        self.on_change()

    # --- asking the database, never on the thread that paints -------------------------------

    async def ask(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query; None when the database is lost, said until it answers again."""
        return self._told(work, args, *await self._queries.in_thread(work, *args))

    async def ask_much(self, work: Callable[..., Result], *args: Any) -> Result | None:
        """Run a query that reads many frames: where there are many, in a process of its own.

        Its work and what it is handed have to be such as can be sent there.
        """
        if not self.is_large:
            return await self.ask(work, *args)
        return self._told(work, args, *await self._queries.in_process(work, *args))

    async def make(self, work: Callable[..., Result], *args: Any) -> Result | RunlogError | None:
        """Have something made in a process of its own; what it is, or what went wrong."""
        result, error = await self._queries.in_process(work, *args)
        return error or result

    def _told(
        self, work: Callable[..., Result], args: tuple[Any, ...], result: Result | None,
        error: RunlogError | None,
    ) -> Result | None:  # fmt: skip
        """Say what went wrong with a query, or that the database answers again."""
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
        """Write; None, and said, when it was not stored."""
        result, error = await self._queries.in_thread(work, *args)
        if error is not None:
            self.say(f"Not stored: {plainly(error)}")
            await self.renew()  # shows again what is stored
        return result

    def no_answer(self) -> None:
        """Say that the database is silent."""
        self._failed = reading.change_token, ()
        self.set_trouble(SILENT)

    async def poll(self) -> None:
        """See whether anybody, here or elsewhere, changed anything."""
        lost = bool(self.trouble)
        if self._failed:  # only its success tells that what it asked for is right again
            await self.ask(self._failed[0], *self._failed[1])
        token = await self.ask(reading.change_token)
        if token is None or self.trouble:
            return
        if token != self._token or lost:
            self._token = token
            await self.renew()

    async def renew(self) -> None:
        """Load the nights again."""
        own, runs = await self.ask(reading.own), await self.ask(reading.run_lines)
        if own is None or runs is None:
            return
        self.own = own
        here, at_end = self.here, self.run_at == len(self.runs) - 1
        self._take_runs(runs)
        self.run_at = self._find_run(here, at_end)
        self._set_clock()
        self.version += 1
        self.worths = {}
        await self._count_open()
        self.on_change()

    def _find_run(self, here: RunLine | None, at_end: bool) -> int:
        """Stay with the run in view; whoever watches the last night follows to a newer one."""
        for i, run in enumerate(self.runs):
            if here is not None and run.id == here.id and not (at_end and self.live):
                return i
        return len(self.runs) - 1

    async def count_open(self) -> None:
        """Count what waits for a decision in the night in view."""
        if await self._count_open():
            self.on_change()

    async def _count_open(self) -> bool:
        """Count; tell whether it is another number than before."""
        asked_for = self._run_id
        found = await self.ask(open_count, asked_for)
        if found is None or asked_for != self._run_id or found == self.open_count:
            return False
        self.open_count = found
        return True

    def begin_adding_up(self) -> None:
        """Say that what hangs on a decision is still to be reckoned."""
        if not self.adding_up:
            self.adding_up = True
            self.on_change()

    async def settle(self) -> bool:
        """Add up what decisions, or a crash, left to be added up; False when it has to wait."""
        settled = await self.ask(settle_now, self.settings)
        waits = settled is None and bool(self.trouble)
        self.adding_up = waits
        await self.poll()
        self.on_change()
        return not waits
