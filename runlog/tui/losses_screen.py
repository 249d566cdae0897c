"""What each cause took of a season's light: ranked, as bars with their numbers."""

from collections.abc import Sequence
from functools import partial
from typing import Any, ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.events import Click
from textual.widgets import Static

from runlog.actions.losses import lost
from runlog.core.columns import hours, plural, share
from runlog.core.ledger.seasons import observing_year
from runlog.core.worth.loss_words import cure_words
from runlog.tui.keys import LOSSES, bound
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import PageOf
from runlog.tui.rows import Rows
from runlog.tui.seasons import nights_of
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled

CAUSE_MOST, BAR_LEAST, BAR_WISHED, GAP = 30, 8, 24, 2  # cells; the cause has more where it can
COLUMNS = ("what", "whose", "lost", "share", "cured")
DROP = (1, 4, 0, 3)  # columns that give way where room is short, the first first
BAR = "█"
OF_FOCUS = ("focus", "defocused")  # causes that refocusing cures
NOBODYS = ("the sky's", "unknown")
EMPTY = ("Nothing was lost: no light frame of these nights fell short of the best, and none was "
         "left out.")  # fmt: skip


class LossesScreen(MainScreen):
    """One row a cause; the season of the night in view at first, then others, or all nights."""

    scope = "losses"
    place = "totals"
    of_many_nights = True
    BINDINGS: ClassVar[list[Any]] = bound(LOSSES)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.seasons: list[str] = []  # that hold nights, the earliest first
        self.season = observing_year(session.here.night) if session.here else ""
        self.every_night = not self.season
        self.rows: list[dict[str, Any]] = []
        self.sums: dict[str, Any] | None = None  # None while these are reckoned
        self.cures: list[dict[str, Any]] = []  # of being out of focus, by rig
        self.at, self.top = 0, 0

    def body(self) -> ComposeResult:
        """Which nights, the rows, and what it comes to."""
        yield Static(id="loss_head")
        yield Rows(id="loss_rows")
        yield Static(id="loss_told")

    def depends_on(self) -> tuple[object, ...]:
        """All nights of the season tell of it."""
        return (self.session.version, self.session.look, self.session.view, self.span)

    @property
    def span(self) -> str:
        """The season that is shown; none is all nights."""
        return "" if self.every_night else self.season

    def reload(self) -> None:
        """Reckon again beside the painting; another span's rows are gone at once."""
        years = {observing_year(run.night) for run in self.session.runs if run.night}
        self.seasons = sorted(years)
        self.draw()
        self._reload()

    @work(exclusive=True, group="losses")
    async def _reload(self) -> None:
        span, of_rigs = self.span, self.session.chosen
        chosen = nights_of(span, of_rigs) if span else of_rigs
        found = await self.ask_much(lost, self.session.settings, chosen)
        if found is None or (span, of_rigs) != (self.span, self.session.chosen):
            return
        here = self.here
        self.rows, self.sums, self.cures = found
        same = [i for i, row in enumerate(self.rows) if here and _key(row) == _key(here)]
        self.at = same[0] if same else 0
        self.draw()

    @property
    def here(self) -> dict[str, Any] | None:
        """The row under the cursor."""
        return self.rows[self.at] if 0 <= self.at < len(self.rows) else None

    def on_rows_resized(self) -> None:
        """Fill the room there is now."""
        self.draw()

    # --- showing ----------------------------------------------------------------------------

    def draw(self) -> None:
        """Draw the rows in sight, and what the one under the cursor comes to."""
        look = self.session.look
        name = f"the season {self.season}" if self.span else "all nights"
        head = Text(f" What cost light in {name}", style=styled(look.accent, bold=True))
        self.query_one("#loss_head", Static).update(head)
        rows, told = self.query_one("#loss_rows", Static), self.query_one("#loss_told", Static)
        if self.sums is None or not self.rows:
            rows.update("\n Adding up what was lost …" if self.sums is None else f"\n {EMPTY}")
            told.update("" if self.sums is None else Text(safe(self.sums["text"])))
            return
        rows.update(self._rows(rows.size.width, max(rows.size.height - 1, 1)))
        told.update(self._told(self.sums))

    def _rows(self, width: int, high: int) -> Text:
        self.top = max(min(max(self.top, self.at - high + 1), self.at, len(self.rows) - high), 0)
        cells = [_cells(row) for row in self.rows]
        kept = _columns(cells, width)
        lengths = [[len(c[i]) for c in (COLUMNS, *cells)] for i in kept]
        rest = width - BAR_WISHED - sum(GAP + max(own) for own in lengths)
        longest = max(cell_len(safe(row["cause"])) for row in self.rows)
        name = min(longest, max(CAUSE_MOST, rest), width // 2)
        line = partial(_line, name, kept, lengths)
        heads = Text(line("cause", COLUMNS), styled(self.session.look.quiet))
        most_s = max(row["lost_s"] for row in self.rows)
        lines = [heads]
        for i in range(self.top, min(self.top + high, len(self.rows))):
            text = Text.assemble((line(self.rows[i]["cause"], cells[i]), self._style(i)))
            room = max(width - text.cell_len - 1, 0)
            part = self.rows[i]["lost_s"] / most_s if most_s else 0.0
            text.append(BAR * round(room * part), self._color(self.rows[i]))
            lines.append(text)
        found = Text("\n", no_wrap=True).join(lines)
        found.no_wrap = True
        return found

    def _style(self, i: int) -> Any:
        return styled(self.session.look.text, bold=i == self.at, reverse=i == self.at)

    def _color(self, row: dict[str, Any]) -> Any:
        """Colour what a person can change apart; the column beside it says whose it is."""
        look = self.session.look
        return styled(look.quiet if row["whose"] in NOBODYS else look.accent)

    def _told(self, sums: dict[str, Any]) -> Text:
        here, look = self.here, self.session.look
        text = Text()
        if here is not None:
            text.append(f"{safe(here['cause'])}: ", styled(bold=True))
            text.append(f"{safe(_in_words(here))}\n")
            for cure in self.cures if here["cause"] in OF_FOCUS else ():
                text.append(f"{safe(cure['text'])}\n")
        return text.append(safe(sums["text"]), styled(look.quiet))

    # --- keys -------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by rows."""
        self.at = min(max(self.at + step, 0), max(len(self.rows) - 1, 0))
        self.draw()

    def action_season(self, step: int) -> None:
        """Turn to the season before, or the next one, that holds nights."""
        if self.every_night and self.season:
            self.every_night = False
        else:
            at = self.seasons.index(self.season) + step if self.season in self.seasons else -1
            if not 0 <= at < len(self.seasons):
                self.say("No night is stored of a season " + ("before" if step < 0 else "after"))
                return
            self.season = self.seasons[at]
        self._begin()

    def action_every_night(self) -> None:
        """All nights, or one season."""
        if self.season:
            self.every_night = not self.every_night
            self._begin()

    def _begin(self) -> None:
        self.rows, self.sums, self.at, self.top = [], None, 0, 0
        self.catch_up()

    def page_in_view(self) -> PageOf | None:
        """A page of the season."""
        return PageOf("season", self.season) if self.season else None

    def action_leave(self) -> None:
        """Go back."""
        self.app.pop_screen()

    def on_click(self, event: Click) -> None:
        """Go to the row that is clicked."""
        rows = self.query_one("#loss_rows")
        at = self.top + event.screen_y - rows.region.y - 1
        if rows.region.contains(event.screen_x, event.screen_y) and 0 <= at < len(self.rows):
            self.action_move(at - self.at)


def _key(row: dict[str, Any]) -> tuple[str, str, str]:
    return row["cause"], row["what"], row["whose"]


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    cure = "unknown" if row["cure_s"] is None else hours(row["cure_s"])
    return (row["what"], row["whose"], hours(row["lost_s"]),
            "" if row["share"] is None else share(row["share"]), cure)  # fmt: skip


def _columns(cells: Sequence[tuple[str, ...]], width: int) -> list[int]:
    """Choose the columns there is room for beside the cause and a bar."""
    widths = [max(len(c[i]) for c in (COLUMNS, *cells)) for i in range(len(COLUMNS))]
    kept = list(range(len(COLUMNS)))
    for i in DROP:
        if sum(widths[k] + GAP for k in kept) + CAUSE_MOST + BAR_LEAST <= width:
            break
        kept.remove(i)
    return kept


def _line(
    name: int, kept: Sequence[int], lengths: Sequence[Sequence[int]], cause: str,
    cells: Sequence[str],
) -> str:  # fmt: skip
    words = [
        fitted(safe(cells[i]), max(own), right=i >= len(COLUMNS) - 3)
        for i, own in zip(kept, lengths, strict=True)
    ]
    return f" {(' ' * GAP).join([fitted(safe(cause), name), *words])}  "


def _in_words(row: dict[str, Any]) -> str:
    frames = f" in {plural(row['frames'], 'frame')}" if row["frames"] else ""
    return f"{hours(row['lost_s'])} {LOST[row['what']]}{frames}, {row['whose']}; {cure_words(row)}"


LOST = {
    "kept": "of what was kept",
    "not kept": "that was not kept",
    "dark": "of dark in which no light frame was exposed",
}
