"""The rig over nights: focus sweeps, the polar axis, series over months, and what was changed."""

from functools import partial
from typing import Any, ClassVar

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.events import Click
from textual.widgets import Static

from runlog.core.ledger.seasons import observing_year
from runlog.tui.in_view import InView
from runlog.tui.keys import RIG, bound
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import NotedOnRig, PlaceWanted
from runlog.tui.note_screen import NoteScreen
from runlog.tui.plot import PlotView
from runlog.tui.rig_entries import PARTS, Entry, Part
from runlog.tui.rows import Rows
from runlog.tui.seasons import nights_of
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled

GAP = 2  # cells between columns


class RigScreen(MainScreen):
    """One part at a time: its lines, what is said of the line under the cursor, and its plot."""

    scope = "rig"
    place = "rig"
    BINDINGS: ClassVar[list[Any]] = bound(RIG)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.part_at = 0
        self.entries: list[Entry] = []
        self.at, self.top = 0, 0
        self._loaded: tuple[int, str, InView] | None = None  # whose lines are shown
        self._known: dict[tuple[int, str, InView], tuple[object, list[Entry]]] = {}
        self._laid: tuple[tuple[list[Entry], int] | None, list[tuple[str, int | None]]] = None, []
        self.every_night: bool | None = None  # None: wherever all are read within a breath

    def body(self) -> ComposeResult:
        """The parts by name, the lines, and beside or below them the plot and the words."""
        yield Static(id="parts")
        with Vertical(id="rig"):
            yield Rows(id="rig_rows")
            with Vertical(id="rig_view"):
                yield PlotView(self.session, id="rig_plot")
                with VerticalScroll(id="rig_words", can_focus=False):
                    yield Static(id="rig_told")

    @property
    def part(self) -> Part:
        """The part that is shown."""
        return PARTS[self.part_at]

    @property
    def here(self) -> Entry | None:
        """The line under the cursor."""
        return self.entries[self.at] if 0 <= self.at < len(self.entries) else None

    def depends_on(self) -> tuple[object, ...]:
        """All nights tell of a rig, or those of a season."""
        session = self.session
        return (session.version, session.look, session.zone, *self._which)

    @property
    def season(self) -> str:
        """The season whose lines are shown, that of the night in view; "" is all nights."""
        every = self.every_night
        if not self.part.by_season or (not self.session.is_large if every is None else every):
            return ""
        return observing_year(self.session.here.night) if self.session.here else ""

    @property
    def _which(self) -> tuple[int, str, InView]:
        """What tells the lines apart that are kept: part, season and rig."""
        return self.part_at, self.season, self.session.view

    def reload(self) -> None:
        """Load the part again beside the painting; another one's lines are gone at once."""
        if self._loaded != self._which:
            self.entries, self.at, self.top = [], 0, 0
        self.draw()
        self._reload()

    @work(exclusive=True, group="rig")
    async def _reload(self) -> None:
        part, which, of_rigs = self.part, self._which, self.session.chosen
        now = (self.session.version, self.session.zone)
        then, found = self._known.get(which, (None, None))
        if found is None or then != now:
            chosen = nights_of(self.season, of_rigs) if self.season else of_rigs
            asked = self.session.settings, self.session.zone, chosen
            found = await self.ask_much(part.load, *asked)
        if found is None or which != self._which:
            return
        self._known[which] = now, found
        first = self._loaded != which
        self.entries, self._loaded = found, which
        self.at = self._first_of_night() if first else min(self.at, max(len(found) - 1, 0))
        self.draw()

    def _first_of_night(self) -> int:
        """Begin at the night in view, else at the rig in view."""
        run = self.session.here
        if run is None:
            return 0
        of_rig = [i for i, entry in enumerate(self.entries) if entry.rig == run.rig]
        of_night = [i for i in of_rig if self.entries[i].night == run.night]
        return next(iter((*of_night, *of_rig)), 0)

    def on_rows_resized(self) -> None:
        """Fill the room there is now."""
        self.draw()

    # --- showing ----------------------------------------------------------------------------

    def draw(self) -> None:
        """Draw the lines in sight, and what the one under the cursor says."""
        self.query_one("#parts", Static).update(self._parts())
        self.query_one("#rig_rows", Static).update(self._lines())
        here = self.here
        plot = self.query_one("#rig_plot", PlotView)
        plot.show(here.chart if here else None)
        plot.display = here is not None and here.chart is not None
        told = "\n".join(map(safe, here.told)) if here else ""
        self.query_one("#rig_told", Static).update(Text(told))

    def _parts(self) -> Text:
        text = Text(no_wrap=True)
        for i, part in enumerate(PARTS):
            here, style = i == self.part_at, styled(self.session.look.quiet)
            text.append(" ")
            style = styled(self.session.look.accent, bold=True, reverse=True) if here else style
            text.append(f" {part.name} ", style + Style(meta={"part": i}))
        if self.part.by_season:
            text.append(f"  {self._nights()}", styled(self.session.look.quiet))
        return text

    def _nights(self) -> str:
        if self.season:
            return f"of the season {self.season} (A: all nights)"
        return "of all nights (A: one season)"

    def _lines(self) -> Text:
        rows, look = self.query_one("#rig_rows", Static), self.session.look
        if not self.entries:
            waiting = self._loaded != self._which
            where = f"the season {self.season}" if self.season else "all nights"
            return Text(f"\n {f'Looking through {where} …' if waiting else self.part.none}")
        width = rows.size.width
        (heads, _), *table = self._table(width)
        high = max(rows.size.height - 1, 1)
        at = next(i for i, (_, entry) in enumerate(table) if entry == self.at)
        self.top = max(min(max(self.top, at - high + 1), at, len(table) - high), 0)
        text = Text("\n", no_wrap=True).join(
            [Text(heads, styled(look.quiet)),
             *(self._line(words, entry) for words, entry in table[self.top : self.top + high])]
        )  # fmt: skip
        text.no_wrap = True
        return text

    def _line(self, words: str, entry: int | None) -> Text:
        look = self.session.look
        if entry is None:
            return Text(words, styled(look.accent, bold=True))
        here = entry == self.at
        color = look.text if here or self.entries[entry].speaks else look.quiet
        return Text(words, styled(color, bold=here, reverse=here))

    def _table(self, width: int) -> list[tuple[str, int | None]]:
        """Give the heads, then the lines with the number of their entry: once, there are many.

        A rig's name stands before its own.
        """
        made_for, table = self._laid
        if made_for is None or made_for[0] is not self.entries or made_for[1] != width:
            table = [(fitted(words, width), entry) for words, entry in self._laid_out(width)]
            self._laid = (self.entries, width), table
        return table

    def _laid_out(self, width: int) -> list[tuple[str, int | None]]:
        widths = self._widths(width)
        several = len({entry.rig for entry in self.entries}) > 1
        found: list[tuple[str, int | None]] = [(self._cells(self.part.heads, widths), None)]
        for i, entry in enumerate(self.entries):
            if several and (i == 0 or self.entries[i - 1].rig != entry.rig):
                found.append((f" {safe(entry.rig)}", None))
            found.append((self._cells(entry.cells, widths), i))
        return found

    def _cells(self, cells: tuple[str, ...], widths: dict[int, int]) -> str:
        """Write cells below one another, each as wide as the widest of its column."""
        parts = (fitted(safe(cells[i]), width) for i, width in widths.items())
        return f" {(' ' * GAP).join(parts)} "

    def _widths(self, room: int) -> dict[int, int]:
        """Give the columns there is room for, with their widths."""
        columns = zip(self.part.heads, *(entry.cells for entry in self.entries), strict=True)
        widths = {i: max(cell_len(safe(c)) for c in column) for i, column in enumerate(columns)}
        for i in self.part.drop:
            if sum(widths.values()) + GAP * len(widths) > room:
                del widths[i]
        return widths

    # --- keys -------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by lines."""
        self.at = min(max(self.at + step, 0), max(len(self.entries) - 1, 0))
        self.query_one("#rig_words").scroll_home(animate=False)
        self.draw()

    def action_part(self, step: int) -> None:
        """Turn to the next part, or the one before."""
        self._show_part((self.part_at + step) % len(PARTS))

    def action_every_night(self) -> None:
        """Tell of all nights, or of the season of the night in view."""
        if not self.part.by_season:
            self.say("This part is of all nights")
            return
        self.every_night = bool(self.season)
        self.catch_up()

    def _show_part(self, at: int) -> None:
        self.part_at = at
        self.catch_up()

    def action_read(self, step: int) -> None:
        """Read on in what is said."""
        self.query_one("#rig_words").scroll_relative(y=4 * step, animate=False)

    def action_open(self) -> None:
        """Turn to the night of the line under the cursor."""
        here = self.here
        if here is None or not here.night:
            self.say("This is of all nights")
            return
        for i, run in enumerate(self.session.runs):
            if (run.rig, run.night) == (here.rig, here.night):
                self.session.show_run(i)
                self.post_message(PlaceWanted("night"))
                return
        self.say("No light frame is stored of that night")

    async def action_note(self, kind: str) -> None:
        """Write down what was changed on the rig, or a remark, for the night in view."""
        run = self.session.here
        if run is None or not run.night:
            self.say("A note is of a night; none with a date is in view")
            return
        what = "Changed on" if kind == "change" else "Remark on"
        head = f"{what} {safe(run.rig)}, from the night of {run.night} on"
        store = partial(self._noted, run.rig, run.night, kind == "change")
        await self.app.push_screen(NoteScreen(0, head, ways=WAYS[kind]), store)

    def _noted(self, rig: str, night: str, changed: bool, text: str | None) -> None:
        if text and text.strip():
            self.say("Noting …")
            self.post_message(NotedOnRig(rig, night, text, changed))

    def on_click(self, event: Click) -> None:
        """Turn to the part, or go to the line, that is clicked."""
        part = event.style.meta.get("part")
        rows = self.query_one("#rig_rows")
        if part is not None:
            self._show_part(part)
        elif self.entries and rows.region.contains(event.screen_x, event.screen_y):
            line = self.top + event.screen_y - rows.region.y - 1
            table = self._table(rows.size.width)[1:]
            entry = table[line][1] if 0 <= line < len(table) else None
            if entry is not None:
                self.action_move(entry - self.at)


WAYS = {
    "change": "As in: collimated. From then on the rig's nights are compared among themselves",
    "remark": "As in: new cable. Nights are compared as before",
}
