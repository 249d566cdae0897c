"""Hours per target and filter against the goals."""

from typing import Any, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.events import Click, MouseScrollDown, MouseScrollUp
from textual.widgets import Static

from runlog.actions.standing import Standing, standings, with_sums
from runlog.core.ledger.goal_words import WAYS, as_typed
from runlog.core.targets.sequence_words import split_panel
from runlog.tui.keys import TOTALS, bound
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import FramesWanted, PageOf
from runlog.tui.note_screen import NoteScreen
from runlog.tui.rows import Rows
from runlog.tui.session import Session
from runlog.tui.text import safe
from runlog.tui.totals_rows import Number, heads, in_words, lay_out, line, numbers_of, row_name

ANY_GRADE = Number("logged_s", "", "")


class TotalsScreen(MainScreen):
    """One row a target and filter: a bar, and numbers that open the frames behind them."""

    scope = "totals"
    place = "totals"
    BINDINGS: ClassVar[list[Any]] = bound(TOTALS)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.every: list[Standing] = []
        self.rows: list[Standing] = []  # of `every`, those not folded away
        self.at, self.across, self.top = 0, 0, 0
        self.folded: set[str] = set()  # mosaics whose panels are not shown

    def body(self) -> ComposeResult:
        """The heads, as many rows as fit, and the row under the cursor in words."""
        yield Static(id="heads")
        yield Rows(id="rows")
        yield Static(id="told")

    def depends_on(self) -> tuple[object, ...]:
        """Totals are over all nights."""
        return (self.session.version, self.session.look, self.session.view)

    def reload(self) -> None:
        """Load again beside the painting."""
        self._reload()

    @work(exclusive=True, group="totals")
    async def _reload(self) -> None:
        """Add up again."""
        session = self.session
        rows = await self.ask(standings, session.settings, session.chosen, session.owner)
        if rows is not None:
            self.every = with_sums(rows)
            self._unfold()

    def _unfold(self) -> None:
        """Choose the rows there are, and stay with the one under the cursor."""
        here = self.here
        self.rows = [row for row in self.every if row.panel is None or not self._hidden(row)]
        same = [i for i, row in enumerate(self.rows) if here and _key(row) == _key(here)]
        self.at = same[0] if same else min(self.at, max(len(self.rows) - 1, 0))
        self.draw()

    def _hidden(self, row: Standing) -> bool:
        return split_panel(row.target)[0] in self.folded

    @property
    def here(self) -> Standing | None:
        """The row under the cursor."""
        return self.rows[self.at] if 0 <= self.at < len(self.rows) else None

    @property
    def number(self) -> Number:
        """The number under the cursor."""
        numbers = numbers_of(self.rows)
        return numbers[min(self.across, len(numbers) - 1)]

    def on_rows_resized(self) -> None:
        """Fill the room there is now."""
        self.draw()

    # --- showing ----------------------------------------------------------------------------

    def draw(self) -> None:
        """Draw the rows in sight with the cursor on one number."""
        rows, here = self.query_one("#rows", Static), self.here
        if here is None:
            self.query_one("#heads", Static).update("")
            self.query_one("#told", Static).update("")
            rows.update("\n Nothing is stored yet. Scan your frames: runlog scan FOLDER")
            return
        look, width = self.session.look, self.size.width
        layout = lay_out(self.rows, width, self.across)
        self.query_one("#heads", Static).update(heads(layout, width, look))
        self.query_one("#told", Static).update(in_words(here, look))
        high = max(rows.size.height, 1)
        self.top = min(max(self.top, self.at - high + 1), self.at)
        self.top = max(min(self.top, len(self.rows) - high), 0)
        text = Text("\n").join(
            line(row, self.rows[i - 1] if i > self.top else None, layout,
                 self.number.key if i == self.at else "", look)
            for i, row in enumerate(self.rows) if self.top <= i < self.top + high
        )  # fmt: skip
        text.no_wrap = True
        rows.update(text)

    # --- keys -------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by rows."""
        self.at = min(max(self.at + step, 0), max(len(self.rows) - 1, 0))
        self.draw()

    def action_across(self, step: int) -> None:
        """Move by numbers."""
        if self.rows:
            self.across = min(max(self.across + step, 0), len(numbers_of(self.rows)) - 1)
            self.draw()

    def action_fold(self) -> None:
        """Put the panels of a mosaic away, or show them again."""
        here = self.here
        if here is None:
            return
        base = split_panel(here.target)[0]
        if base not in {row.target for row in self.every if row.mosaic}:
            self.say("This is no mosaic; only the panels of one are put away")
            return
        self.folded ^= {base}
        if here.panel is not None:
            self.at = next(i for i, r in enumerate(self.rows) if r.mosaic and r.target == base
                           and r.total.filter == here.total.filter)  # fmt: skip
        self._unfold()

    def on_mouse_scroll_down(self, event: MouseScrollDown) -> None:
        """Move on with the wheel."""
        event.stop()
        self.action_move(1)

    def on_mouse_scroll_up(self, event: MouseScrollUp) -> None:
        """Move back with the wheel."""
        event.stop()
        self.action_move(-1)

    def on_click(self, event: Click) -> None:
        """Go to the row that is clicked."""
        rows = self.query_one("#rows")
        if rows.region.contains(event.screen_x, event.screen_y):
            self.at = self.top + event.screen_y - rows.region.y
            self.action_move(0)

    async def action_goal(self) -> None:
        """Set what is wanted of this row."""
        here = self.here
        if here is None:
            return
        if here.summed:
            self.say("A goal is for one filter: choose its row")
            return
        now = as_typed(here.goal) if here.goal else ""
        owner = self.session.owner
        whose = ", a goal of my own" if owner else ""
        what = f"Wanted of {safe(here.target)} through {safe(here.total.filter)}{whose}"

        async def store(typed: str) -> str:
            if not typed.strip() or typed == now:
                return ""
            return await self._set_goal(here, typed, owner)

        await self.app.push_screen(NoteScreen(0, what, now, WAYS, store))

    async def _set_goal(self, at: Standing, typed: str, owner: str | None) -> str:
        """Set a goal; what is wrong with it, else nothing."""
        session = self.session
        outcome, complaint = await session.decisions.set_goal(session.settings, at, typed, owner)
        if outcome is not None:
            self.say(safe(outcome.words))
            await session.poll()
        return complaint

    async def action_export(self) -> None:
        """Export the kept frames of the row under the cursor."""
        from runlog.actions.export_to import meant_by

        here = self.here
        if here is None:
            return
        words = words_for(here, ANY_GRADE)
        selection = await self.ask(meant_by, self.session.settings, words)
        if selection is not None:
            await self.ask_where_to_export(selection, row_name(here))

    def page_in_view(self) -> PageOf | None:
        """A page of the target under the cursor."""
        here = self.here
        return PageOf("target", here.total.target) if here is not None else None

    def action_open(self) -> None:
        """Show the frames behind the number under the cursor."""
        if self.here is not None:
            words = words_for(self.here, self.number)
            self.post_message(FramesWanted(words, every_night=True, back="totals"))


def words_for(row: Standing, number: Number) -> str:
    """Find the words that list the frames behind a number; a mosaic's is its worst panel's."""
    names = [row.total.target]
    if row.summed:
        return " ".join([*map(_quoted, names), number.grade]).strip()
    if number.key != "credited_s":
        names.append(row.total.filter)
    elif len(row.lenders) == 1:
        names += row.lenders
    others = [f"not {_quoted(panel)}" for panel in row.panels]
    return " ".join([*map(_quoted, names), number.grade, *others]).strip()


def _quoted(name: str) -> str:
    return f'"{name}"' if '"' not in name else name.replace('"', " ")


def _key(row: Standing) -> tuple[object, ...]:
    return row.target, row.panel, row.total.filter
