"""All frames, one a row: order, find by plain words, pick, decide."""

import asyncio
from array import array
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult, RenderResult
from textual.containers import Horizontal
from textual.events import Click
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Input, Label, Static

from runlog.actions.frame_files import file_names
from runlog.actions.review import listed, page
from runlog.actions.selecting import not_understood, vocabulary
from runlog.core.frame import Frame
from runlog.core.plain_words import words_known
from runlog.core.selection import SORTABLE, Order, Selection
from runlog.tui.frame_table import PICK, FrameTable, heading, layout
from runlog.tui.keys import FRAMES, bound
from runlog.tui.messages import Graded, PlaceWanted
from runlog.tui.session import Listing, Session
from runlog.tui.text import count, piece, safe
from runlog.tui.weighs import Weighs, is_open
from runlog.tui.words import reasons
from runlog.tui.words_input import WordsInput, WordsKnown

MANY = 5_000  # storing so many marks takes longer than a breath
FIRST = 200  # rows that are loaded before the rest of a long list


class ListHeading(Widget):
    """The labels above the rows."""

    def __init__(self, session: Session) -> None:
        super().__init__(id="heading")
        self.session = session

    def render_line(self, y: int) -> Strip:
        """Draw them for the order in force."""
        asked = self.session.listing
        name = self.session.zone_name
        strip = heading(self.size.width, asked.every_night, asked.order, self.session.look, name)
        return strip.apply_style(self.rich_style)

    def on_click(self, event: Click) -> None:
        """Order by the column that is clicked; again turns the order round."""
        start = PICK
        for cell in layout(self.size.width, self.session.listing.every_night):
            if start <= event.x < start + cell.width + 1 and cell.key in SORTABLE:
                self.post_message(self.Clicked(cell.key))
            start += cell.width + 1

    class Clicked(Message):
        """The label of a column that can be sorted was clicked."""

        def __init__(self, column: str) -> None:
            super().__init__()
            self.column = column

    def render(self) -> RenderResult:
        """Unused: lines are drawn one by one."""
        return ""


class FramesScreen(Weighs):
    """A paged list of what plain words choose."""

    scope = "frames"
    place = "frames"
    BINDINGS: ClassVar[list[Any]] = bound(FRAMES)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._before: tuple[str, str, bool] | None = None  # where from, words and reach till then
        self._wished, self._listing = 0, False
        self._words_new, self._listed = False, asyncio.Event()
        self._known_words = WordsKnown()
        self._recalled = 0  # how far back in what was looked for before
        self._line: Frame | None = None  # under the cursor
        self._odd_words: list[str] = []  # words typed that mean nothing here

    def body(self) -> ComposeResult:
        """What to find, the rows, and why the row under the cursor has its grade."""
        with Horizontal(id="finder"):
            yield Label(" find ", classes="quiet", markup=False)
            ways = "reject, cloud, not moon, fwhm > 3, from 22:10, last night, M 33 Ha …"
            yield WordsInput(placeholder=ways, id="words", compact=True, select_on_focus=False,
                             suggester=self._known_words)  # fmt: skip
            yield Label("", id="how-many", markup=False)
        yield ListHeading(self.session)
        yield FrameTable(self.session, id="frames")
        yield Static(id="why")

    def on_mount(self) -> None:
        """Take up where one was."""
        self.table.stay_on = self.session.frame_id or None
        self.query_one(Input).value = self.asked.words
        self.set_focus(self.table)

    @property
    def asked(self) -> Listing:
        """What the list is asked for."""
        return self.session.listing

    @property
    def table(self) -> FrameTable:
        """The rows."""
        return self.query_one(FrameTable)

    # --- loading ----------------------------------------------------------------------------

    def depends_on(self) -> tuple[object, ...]:
        """The list depends on words, order and reach as well."""
        asked = self.asked
        return (*super().depends_on(), asked.meant.terms, asked.order, asked.every_night)

    def reload(self) -> None:
        """List again; while one list is on its way only the newest wish waits."""
        self._wished += 1
        if not self._listing:
            self._listing = True
            self._listed.clear()
            self._list()

    @work(group="list")
    async def _list(self) -> None:
        try:
            listed_for = -1
            while listed_for != self._wished:
                listed_for = self._wished
                await self._list_once()
        finally:
            self._listing = self._words_new = False
            self._listed.set()

    async def caught_up(self) -> None:
        """Wait for the rows that new words ask for: a key must not decide on one of the old."""
        if self._words_new and self._listing and not self.query_one(Input).has_focus:
            await self._listed.wait()

    @property
    def _selection(self) -> Selection:
        return self.asked.of_run(self.session.here, self.session.chosen)

    async def _list_once(self) -> None:
        """List the first rows at once, then all of them."""
        table = self.table
        if self.asked.known is None:
            known = await self.ask(vocabulary, self.session.settings)
            self.session.ask_for(known=known)
            self._known_words.words = words_known(known) if known else ()
        selection, order = self._selection, self.asked.order
        if self.asked.every_night and not len(table.ids):
            self._take(await self.ask(listed, selection, order, FIRST), more=True)
        ids = await self.ask(listed, selection, order)
        texts = self.asked.meant.texts if ids is not None and not len(ids) else ()
        self._odd_words = await self.ask(not_understood, texts) or [] if texts else []
        await self.keys_done(unless=lambda: self._words_new)  # for whose rows keys wait
        self._take(ids)
        table.stay_on = None

    def _take(self, ids: "array[int] | None", more: bool = False) -> None:
        if ids is None:
            return
        self.table.dated = self.asked.every_night
        self.table.show(ids)
        if not len(ids):
            self.query_one("#why", Static).update(self._help_finding())
        self.query_one(ListHeading).refresh()
        self._say_how_many("…" if more else "")

    def _say_how_many(self, more: str = "") -> None:
        picked = len(self.table.picked)
        shown = count(len(self.table.ids), "frame") + more
        odd = ", ".join(f"“{word}”" for word in self._odd_words)
        waiting = self.asked.meant.waiting or (f"not understood: {odd}" if odd else "")
        words = waiting or (f"{picked:,} picked of {shown}" if picked else shown)
        self.query_one("#how-many", Label).update(f" {safe(words)} ")

    def _help_finding(self) -> Text:
        """Offer ways to find frames where nothing was found."""
        if not self.asked.words.strip():
            return Text()
        ways = ('"reject", "cloud", "not moon", "fwhm > 2.1", "wider than 3", '
                '"from 22:10 to 23:05", "last night", a target, a filter; ? shows all')  # fmt: skip
        return piece(f"Words it knows: {ways}", self.session.look.quiet)

    def on_frame_table_page_wanted(self, message: FrameTable.PageWanted) -> None:
        """Load a page beside the painting."""
        self._load_page(message.ids)

    @work(group="page")
    async def _load_page(self, ids: Sequence[int]) -> None:
        lines = await self.ask(page, ids)
        if self.table.shows_files:
            self.table.names |= await self.ask(file_names, ids) or {}
        if lines is not None:
            self.table.take_lines(lines, ids)

    def on_frame_table_moved(self, message: FrameTable.Moved) -> None:
        """Say why the frame under the cursor has its grade."""
        if message.line is not None:
            self.session.frame_id = message.line.identity.id
        self._line = message.line
        if message.line is not None and is_open(message.line):
            self.weigh([message.line.identity.id])
        else:
            self.unweigh()

    def show_worth(self, words: str) -> None:
        """Say what keeping the frame under the cursor does, and why it has its grade."""
        why = self._why(self._line)
        if words:
            look = self.session.look
            why = Text("  ").join([piece(f"{words}.", look.accent), why])
        self.query_one("#why", Static).update(why)

    def _why(self, line: Frame | None) -> Text:
        if line is None:
            return Text()
        found = reasons(line, self.session.look)
        return found if found.plain else piece("nothing against it", self.session.look.quiet)

    # --- words and order --------------------------------------------------------------------

    def action_find(self) -> None:
        """Type words; those there are picked out, so that typing replaces them."""
        words = self.query_one(Input)
        self.set_focus(words)
        words.select_all()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Follow every letter."""
        self.session.ask_for(words=event.value)
        self._odd_words = []
        self._say_how_many()
        self.catch_up()
        self._words_new = self._listing  # letters that change no meaning ask for no rows

    def on_input_submitted(self, _event: Input.Submitted) -> None:
        """Go back to the rows."""
        self._keep_find()
        self.table.focus()

    def _keep_find(self) -> None:
        self.session.keep_find(self.query_one(Input).value)
        self._recalled = 0

    def _recall(self, step: int) -> None:
        """Put what was looked for before into the line: up goes back, down comes on again."""
        finds = self.session.finds
        self._recalled = min(max(self._recalled - step, 0), len(finds))
        words = self.query_one(Input)
        words.value = finds[-self._recalled] if self._recalled else ""
        words.cursor_position = len(words.value)

    def action_drop(self) -> None:
        """Drop what is picked; then go back, or drop the words; Escape in them leaves them."""
        words = self.query_one(Input)
        if words.has_focus:
            self._keep_find()
            self.table.focus()
        elif self.table.drop():
            self._say_how_many()
        elif self._before is not None:
            back, words.value, every_night = self._before
            self.session.ask_for(every_night=every_night)
            self._before = None
            self.post_message(PlaceWanted(back))
        else:
            words.value = ""

    def action_order(self, step: int) -> None:
        """Order by the next column shown."""
        order, shown = self.asked.order, layout(self.size.width, self.asked.every_night)
        keys = [c.key for c in shown if c.key in SORTABLE]
        at = keys.index(order.column) if order.column in keys else 0
        self._put_in_order(Order(keys[(at + step) % len(keys)], order.descending))

    def action_turn(self) -> None:
        """Turn the order round."""
        order = self.asked.order
        self._put_in_order(replace(order, descending=not order.descending))

    def on_list_heading_clicked(self, message: ListHeading.Clicked) -> None:
        """Order by a column whose label was clicked."""
        if self.asked.order.column == message.column:
            self.action_turn()
        else:
            self._put_in_order(Order(message.column, self.asked.order.descending))

    def _put_in_order(self, order: Order) -> None:
        self.session.ask_for(order=order)
        self.query_one(ListHeading).refresh()
        self.catch_up()

    def action_every_night(self) -> None:
        """All nights, newest first, or this night only."""
        every_night = not self.asked.every_night
        by_time = self.asked.order.column == "taken_at_utc"
        order = Order(descending=every_night) if by_time else self.asked.order
        self.session.ask_for(every_night=every_night, order=order)
        self.catch_up()

    def find(self, words: str, every_night: bool, back: str) -> None:
        """Show the frames behind a number or an event; Escape leads back to where it was seen."""
        if self._before is None:
            self._before = back, self.asked.words, self.asked.every_night
        self._before = back, *self._before[1:]
        self.session.ask_for(every_night=every_night)
        self.query_one(Input).value = words
        self.catch_up()
        self.table.focus()

    # --- moving and picking -----------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by rows; in the line of words, through what was looked for before."""
        if self.query_one(Input).has_focus:
            self._recall(step)
            return
        self.table.move_to(self.table.cursor + step)

    def action_move_page(self, step: int) -> None:
        """Move by a screenful."""
        self.table.move_to(self.table.cursor + step * max(self.table.size.height - 1, 1))

    def action_jump(self, end: int) -> None:
        """Go to the first row (0) or the last (1)."""
        self.table.move_to(len(self.table.ids) * end)

    def action_pick(self) -> None:
        """Pick the row under the cursor."""
        self.table.pick()
        self._say_how_many()

    def action_stretch(self, step: int) -> None:
        """Pick a range."""
        self.table.stretch(step)
        self._say_how_many()

    def action_pick_all(self) -> None:
        """Pick all rows."""
        self.table.pick_rows(0, len(self.table.ids))
        self._say_how_many()

    def action_pick_side(self, side: int) -> None:
        """Pick every row with this value or more (1), or less (-1), of the column in order."""
        table = self.table
        rising = (side > 0) != self.asked.order.descending
        if rising:
            table.pick_rows(table.cursor, len(table.ids))
        else:
            table.pick_rows(0, table.cursor + 1)
        self._say_how_many()

    def point_to(self, ids: Sequence[int]) -> None:
        """Turn to the first of what was taken back."""
        at = self.table.place_of(ids[0]) if ids else None
        if at is not None:
            self.table.move_to(at)

    # --- deciding ---------------------------------------------------------------------------

    def action_grade(self, grade: str) -> None:
        """Decide on what is picked, or on the row under the cursor and move down."""
        table = self.table
        ids, alone = table.chosen(), not table.picked
        if not ids:
            return
        table.regrade(ids, grade)
        table.drop()
        self._say_how_many()
        if len(ids) > MANY:
            self.say(f"Marking {count(len(ids), 'frame')} …")
        self.post_message(Graded(ids, grade))
        if alone:
            table.move_to(table.cursor + 1)

    async def action_note(self) -> None:
        """Write a note on what is picked, or on the row under the cursor."""
        ids = self.table.chosen()
        if ids:
            await self.ask_for_note(ids)

    async def action_export(self) -> None:
        """Export the kept frames among those picked, or else among all that are shown."""
        table = self.table
        if table.picked:
            chosen = Selection(frame_ids=tuple(table.chosen()))
            await self.ask_where_to_export(chosen, f"of {count(len(table.picked), 'frame')} picked")
        elif len(table.ids):
            chosen = self._selection
            await self.ask_where_to_export(chosen, f"of {count(len(table.ids), 'frame')} listed")

    def frame_in_view(self) -> int | None:
        """The frame under the cursor."""
        return self.table.ids[self.table.cursor] if self.table.ids else None

    async def action_open(self) -> None:
        """See the picture of the row under the cursor."""
        if self.table.ids:
            from runlog.tui.picture_screen import PictureScreen  # numpy: see app.py

            await self.app.push_screen(
                PictureScreen(self.session, self.table.ids, self.table.cursor)
            )

    async def on_frame_table_opened(self) -> None:
        """See it by a second click."""
        await self.action_open()
