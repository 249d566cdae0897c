"""Hours per target and filter against the goals."""

from typing import Any, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from runlog.actions.totals import set_goal, total_rows
from runlog.core.columns import hours
from runlog.errors import RunlogError
from runlog.tui.desk import Desk
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.keys import TOTALS, bound
from runlog.tui.look import Look
from runlog.tui.note_screen import NoteScreen
from runlog.tui.text import fitted, piece, safe, styled

# The numbers one can stand on, and the word that finds the frames behind them.
NUMBERS = (("kept_s", "keep"), ("doubtful_s", "doubtful"), ("rejected_s", "reject"),
           ("logged_s", ""))  # fmt: skip
LABELS = {key: key.removesuffix("_s") for key, _ in NUMBERS}
NUMBER_WIDTH = 11
NAME_WIDTH, FILTER_WIDTH = 12, 6
GOAL_WIDTH = 15


class TotalsScreen(Desk):
    """One row a target and filter: a bar, and numbers that open the frames behind them."""

    scope = "totals"
    place = "totals"
    BINDINGS: ClassVar[list[Any]] = bound(TOTALS)

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[dict[str, Any]] = []
        self.at, self.across = 0, 0

    def body(self) -> ComposeResult:
        """The rows, drawn as one piece of text."""
        with VerticalScroll(id="totals", can_focus=False):
            yield Static(id="rows")

    def stand(self) -> tuple[object, ...]:
        """Totals are over all nights."""
        return (self.review.version, self.review.theme)

    def reload(self) -> None:
        """Load again beside the painting."""
        self._reload()

    @work(exclusive=True, group="totals")
    async def _reload(self) -> None:
        """Add up again."""
        rows = await self.review.ask(total_rows, self.review.engine)
        if rows is None:
            return
        self.rows = rows
        self.at = min(self.at, max(len(rows) - 1, 0))
        self.draw()

    def on_resize(self) -> None:
        """Give the bars the room there is."""
        if self.rows:
            self.draw()

    def draw(self) -> None:
        """Draw all rows with the cursor on one number."""
        look, width = self.review.look, self.size.width - 2
        text = Text(no_wrap=True)
        if not self.rows:
            text = piece("\n Nothing is stored yet. Scan your frames: runlog scan FOLDER")
        else:
            text.append_text(_labels(width, look))
        for i, row in enumerate(self.rows):
            text.append("\n")
            text.append_text(self._row(row, i, width, look))
        self.query_one("#rows", Static).update(text)
        above = max(self.at - self.size.height // 2, 0)
        self.query_one("#totals").scroll_to(y=above, animate=False)

    def _row(self, row: dict[str, Any], i: int, width: int, look: Look) -> Text:
        same = i > 0 and self.rows[i - 1]["target"] == row["target"]
        text = Text()
        name = "" if same else safe(row["target"])
        text.append(f" {fitted(name, NAME_WIDTH)} ", styled(bold=True))
        text.append(fitted(safe(row["filter"]), FILTER_WIDTH))
        for k, (key, grade) in enumerate(NUMBERS[: _numbers_shown(width)]):
            here = i == self.at and k == self.across
            style = styled(look.grade(grade) if grade else look.text, bold=here, reverse=here)
            text.append(" ")
            text.append(f"{hours(row[key]):>{NUMBER_WIDTH}}", style)
        room = width - text.cell_len - GOAL_WIDTH - 2
        text.append("  ")
        text.append_text(bar(row, max(room, 8), look))
        text.append(_goal_words(row), styled(look.quiet))
        return text

    # --- keys -------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by rows."""
        self.at = min(max(self.at + step, 0), max(len(self.rows) - 1, 0))
        self.draw()

    def action_across(self, step: int) -> None:
        """Move by numbers."""
        shown = _numbers_shown(self.size.width - 2)
        self.across = min(max(self.across + step, 0), shown - 1)
        self.draw()

    async def action_goal(self) -> None:
        """Set the hours wanted for this row."""
        if not self.rows:
            return
        row = self.rows[self.at]
        now = f"{row['goal_s'] / 3600:g}" if row["goal_s"] else ""
        what = f"Hours wanted of {safe(row['target'])} through {safe(row['filter'])} (0: no goal)"

        def store(typed: str | None) -> None:
            if typed is not None and typed.strip():
                self._set_goal(row["target"], row["filter"], typed)

        await self.app.push_screen(NoteScreen(0, what, now), store)

    @work(group="goal")
    async def _set_goal(self, target: str, filter_name: str, typed: str) -> None:
        app = self.review
        try:
            wanted = float(typed.replace(",", "."))
            names = dict(app.settings.rules.filter_names)
            arguments = (app.engine, target, filter_name, wanted, app.who, names)
            done = await app.ask(_set, *arguments)
        except ValueError:
            app.say(f"“{typed}” is not a number of hours")
            return
        if done is not None:
            app.say(done)
        await app.poll()

    async def action_open(self) -> None:
        """Show the frames behind the number under the cursor."""
        if not self.rows:
            return
        row = self.rows[self.at]
        words = f'"{row["target"]}" "{row["filter"]}" {NUMBERS[self.across][1]}'.strip()
        await self.review.action_go("frames")
        self.app.call_after_refresh(self._find, words)

    def _find(self, words: str) -> None:
        screen = self.app.screen
        if isinstance(screen, FramesScreen):
            screen.find(words, every_night=True)


def _set(engine: Any, target: str, filter_name: str, wanted: float, *rest: Any) -> str:
    try:
        set_goal(engine, target, filter_name, wanted, *rest)
    except RunlogError as error:
        return error.what
    return f"{target} {filter_name}: " + (f"{wanted:g} h wanted" if wanted else "no goal any more")


def _numbers_shown(width: int) -> int:
    """How many numbers fit beside a bar worth looking at."""
    room = width - NAME_WIDTH - FILTER_WIDTH - GOAL_WIDTH - 14
    return min(max(room // (NUMBER_WIDTH + 1), 1), len(NUMBERS))


def _labels(width: int, look: Look) -> Text:
    text = Text(style=styled(look.quiet))
    text.append(" " + fitted("target", NAME_WIDTH) + " " + fitted("filter", FILTER_WIDTH))
    for key, _ in NUMBERS[: _numbers_shown(width)]:
        text.append(" " + f"{LABELS[key]:>{NUMBER_WIDTH}}")
    text.append("  █ kept ▒ doubtful ░ to go")
    text.truncate(width)
    return text


def bar(row: dict[str, Any], width: int, look: Look) -> Text:
    """Draw kept, doubtful and to go; full width is the goal, or what there is when it is more."""
    kept, doubtful, goal = row["kept_s"], row["doubtful_s"], row["goal_s"] or 0.0
    whole = max(goal, kept + doubtful, 1.0)
    text = Text()
    done = round(width * kept / whole)
    open_cells = round(width * (kept + doubtful) / whole) - done
    left = round(width * goal / whole) - done - open_cells if goal else 0
    text.append("█" * done, styled(look.keep))
    text.append("▒" * open_cells, styled(look.doubtful))
    text.append("░" * max(left, 0), styled(look.quiet))
    text.append(" " * max(width - text.cell_len, 0))
    return text


def _goal_words(row: dict[str, Any]) -> str:
    if not row["goal_s"]:
        return fitted(" no goal", GOAL_WIDTH)
    if row["to_go_s"] <= 0:
        return fitted(" reached", GOAL_WIDTH)
    return fitted(f" {row['to_go_s'] / 3600:.1f} h to go", GOAL_WIDTH)
