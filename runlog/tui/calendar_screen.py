"""Pick a night from a month."""

import calendar
from datetime import date
from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from runlog.actions.review import RunLine
from runlog.core.charts import EIGHTHS
from runlog.core.story.phrases.report import kept
from runlog.tui.keys import CALENDAR, bound
from runlog.tui.look import Look
from runlog.tui.session import Session
from runlog.tui.text import count, safe, styled


class CalendarScreen(ModalScreen[int | None]):
    """Days with frames carry a bar: how much of the night was kept."""

    scope = "calendar"
    BINDINGS: ClassVar[list[Any]] = bound(CALENDAR)

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.runs, self.at, self.look = session.runs, session.run_at, session.look

    def compose(self) -> ComposeResult:
        """One month."""
        with Vertical(id="calendar"):
            yield Static(id="month")

    def on_mount(self) -> None:
        """Begin with the night in view."""
        self._draw()

    def _draw(self) -> None:
        self.query_one("#month", Static).update(month(self.runs, self.at, self.look))

    def action_day(self, days: int) -> None:
        """Go to the night before or after; by seven: the nearest about a week away."""
        if abs(days) == 1:
            self.at = min(max(self.at + days, 0), len(self.runs) - 1)
        else:
            self._go_about(days)
        self._draw()

    def action_month(self, months: int) -> None:
        """Go to about the same day of another month."""
        self._go_about(months * 30)
        self._draw()

    def _go_about(self, days: int) -> None:
        """Move to the night nearest to so many days away, at least one on."""
        here = _day(self.runs[self.at])
        wanted = here.toordinal() + days
        ahead = range(self.at + 1, len(self.runs)) if days > 0 else range(self.at)
        if ahead:
            self.at = min(ahead, key=lambda i: abs(_day(self.runs[i]).toordinal() - wanted))

    def action_pick(self) -> None:
        """Open the night under the cursor."""
        self.dismiss(self.at)

    def action_leave(self) -> None:
        """Stay where one was."""
        self.dismiss(None)


def _day(run: RunLine) -> date:
    return date.fromisoformat(run.night) if run.night else date.min


def month(runs: list[RunLine], at: int, look: Look) -> Text:
    """Write the month of a night, Monday first."""
    here = runs[at]
    text = Text()
    if not here.night:
        text.append("Frames without a date\n", styled(bold=True))
        return text
    day = _day(here)
    nights = {_day(run): run for run in runs if run.night}
    text.append(f"{day:%B %Y}\n\n", styled(look.accent, bold=True))
    text.append(" Mo  Tu  We  Th  Fr  Sa  Su\n", styled(look.quiet))
    for week in calendar.Calendar().monthdatescalendar(day.year, day.month):
        for each in week:
            text.append_text(_cell(each, day, nights.get(each), each.month == day.month, look))
        text.append("\n")
    worth = "".join(kept(here.kept_s, here.logged_s))
    text.append(f"\n{count(here.frames, 'frame')}, {worth}\n")
    text.append(f"{safe(here.rig)}\n\n", styled(look.quiet))
    text.append("arrows a night or a week\nPgUp, PgDn a month\nEnter opens, Esc leaves it",
                styled(look.quiet))  # fmt: skip
    return text


def _cell(each: date, day: date, run: RunLine | None, inside: bool, look: Look) -> Text:
    if not inside:
        return Text("    ")
    if run is None:
        return Text(f" {each.day:>2} ", style=styled(look.quiet))
    share = run.kept_s / run.logged_s if run.logged_s else 0.0
    sign = EIGHTHS[min(int(share * len(EIGHTHS)), len(EIGHTHS) - 1)]
    return Text(f" {each.day:>2}{sign}", style=styled(look.keep, bold=True, reverse=each == day))
