"""The night: what happened, what it was worth, what needs a decision."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from rich.console import Group, RenderableType
from rich.style import Style
from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.events import Click
from textual.widgets import Static

from runlog.actions.review import RunLine, report_of, whole_run
from runlog.actions.warnings import warnings_of
from runlog.core.charts import night_bar, time_line
from runlog.core.columns import hours
from runlog.core.frame import Frame
from runlog.core.story.phrases import common
from runlog.core.story.phrases import report as say
from runlog.core.times import times_in
from runlog.tui.calendar_screen import CalendarScreen
from runlog.tui.keys import NIGHT, bound
from runlog.tui.live import warning_lines
from runlog.tui.look import OPINION_SIGNS, SIGNS, Look
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import FramesWanted, PlaceWanted
from runlog.tui.session import Session
from runlog.tui.text import count, fitted_names, piece, safe, styled
from runlog.tui.timeline import Timeline
from runlog.tui.timeline_screen import TimelineScreen

if TYPE_CHECKING:
    from runlog.core.story.model import Event
    from runlog.core.story.report import NightEvent, NightReport

EVENT_KEYS = "Enter lists its frames   Esc lets go"
BAR = 24
MOST_NAME, MOST_FILTER = 22, 10  # cells of names
ALIKE_S = 0.5  # sums of one night that differ by less are the same
BAR_SIGNS = {"keep": "█", "doubtful": "▒", "reject": "×"}


class NightScreen(MainScreen):
    """Opens first: the outcome, the time line, events, verdicts, what was added."""

    scope = "night"
    place = "night"
    BINDINGS: ClassVar[list[Any]] = bound(NIGHT)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.report: NightReport | None = None
        self._told: int | None = None  # the run whose story is on the screen
        self.lines: list[Frame] = []
        self.event: int | None = None  # the one chosen
        self._wished_step = 0  # to an event, pressed before the story was told

    def body(self) -> ComposeResult:
        """The outcome and time line on the left, or above; the words on the right, or below."""
        with VerticalScroll(id="night", can_focus=False):
            with Vertical(id="left"):
                yield Static(id="warnings")
                yield Static(id="outcome")
                yield Timeline(self.session, id="chart")
            with VerticalScroll(id="right", can_focus=False):
                for name in WORDS:
                    yield Static(id=name)

    def reload(self) -> None:
        """Show at once what is known of the night, and the story when it is told."""
        run = self.session.here
        look = self.session.look
        self.query_one(Timeline).display = run is not None
        if run is None:
            self._clear()
            self._say(_lost(self.session.trouble) if self.session.trouble else _welcome(look))
            return
        if run.id != self._told:
            self._clear()
        self._say(outcome(run, self.session.open_count, look, self._known(run)))
        self.call_after_refresh(self._tell, run)  # what is known is seen before more is asked

    def _say(self, words: Text) -> None:
        for shown in self.query("#outcome").results(Static):  # none once the program is ending
            shown.update(words)

    def _clear(self) -> None:
        """Leave nothing of another night on the screen."""
        self._told, self.report, self.lines, self.event = None, None, [], None
        self._wished_step = 0
        self.query_one(Timeline).wait()
        self.query_one("#warnings", Static).display = False
        for name in WORDS:
            self.query_one(f"#{name}", Static).update("")

    @work(exclusive=True, group="night")
    async def _tell(self, run: RunLine) -> None:
        await self._warn(run)
        await self.session.count_open()
        self._say(outcome(run, self.session.open_count, self.session.look, self._known(run)))
        lines = await self.ask(whole_run, run.id)
        if lines is not None:
            self.lines = lines
            self._draw()
            report = await self.ask(report_of, self.session.settings, run, self.session.zone)
            if report is not None:
                self.report, self._told = report, run.id
                self._fill(run, report)
        if self._told != run.id:
            words = self.session.trouble or self.session.said or "This night is not stored any more"
            self.query_one("#verdicts", Static).update(_lost(words))

    async def _warn(self, run: RunLine) -> None:
        """Show what a watch warned of and what still holds, above everything."""
        warned = await self.ask(warnings_of, run.id) or ()
        shown = self.query_one("#warnings", Static)
        shown.update(warning_lines(warned, self.session.look, self.session.zone))
        shown.display = bool(warned)

    def _known(self, run: RunLine) -> "NightReport | None":
        """Give the story as far as it still fits the hours: a decision since makes it old."""
        report = self.report
        return report if report and abs(report.kept_s - run.kept_s) < ALIKE_S else None

    @property
    def events(self) -> "Sequence[NightEvent]":
        """What happened, as far as it is told."""
        return self.report.events if self.report else ()

    def _draw(self) -> None:
        self.query_one(Timeline).show(time_line(self.lines, self.events))

    def _fill(self, run: RunLine, report: "NightReport") -> None:
        look = self.session.look
        self._say(outcome(run, self.session.open_count, look, report))
        self._draw()
        for name, write in WORDS.items():
            with times_in(self.session.zone):
                self.query_one(f"#{name}", Static).update(write(report, look))
        if self.event is not None and self.event >= len(report.events):
            self.event = None
        self._show_event()
        step, self._wished_step = self._wished_step, 0
        if step:
            self.action_event(step)

    # --- keys -------------------------------------------------------------------------------

    def action_night(self, step: int) -> None:
        """Turn to the night before or after."""
        if not self.session.show_run(self.session.run_at + step):
            self.say("This is the last night" if step > 0 else "This is the first night")

    async def action_calendar(self) -> None:
        """Pick a night by its date."""
        if self.session.runs:
            await self.app.push_screen(CalendarScreen(self.session), self._picked)

    def _picked(self, at: int | None) -> None:
        if at is not None:
            self.session.show_run(at)

    async def action_timeline(self) -> None:
        """Show the time line alone."""
        if self.lines:
            await self.app.push_screen(TimelineScreen(self.session, self.lines, self.events))

    async def on_timeline_pointed(self, message: Timeline.Pointed) -> None:
        """Open the time line where it was clicked."""
        await self.app.push_screen(
            TimelineScreen(self.session, self.lines, self.events, message.at)
        )

    def action_event(self, step: int) -> None:
        """Choose the next event, or the one before."""
        found = len(self.events)
        if not found:
            self._say_no_event(step)
            return
        start = -1 if step > 0 else 0
        self.event = ((start if self.event is None else self.event) + step) % found
        self._show_event()
        self.say(EVENT_KEYS)
        self.query_one("#events").scroll_visible(animate=False, immediate=True)

    def _say_no_event(self, step: int) -> None:
        """Tell a night that had no event from one whose story is still being told."""
        if self.report is not None:
            self.say(f"{say.UNEVENTFUL} happened")
        elif self.session.here is None:
            self.say("No night is stored yet")
        else:
            self._wished_step = step
            self.say("Still telling this night; its first event is chosen when it is told")

    def action_let_go(self) -> None:
        """Choose no event."""
        self.event, self._wished_step = None, 0
        self._show_event()
        self._take_back_keys()

    def on_screen_suspend(self) -> None:
        """Leave no words about keys that mean something else where one goes."""
        self._take_back_keys()

    def _take_back_keys(self) -> None:
        if self.session.said == EVENT_KEYS:
            self.session.say("")

    def _show_event(self) -> None:
        self.query_one(Timeline).choose(self.event)
        if self.report is not None:
            with times_in(self.session.zone):
                words = events(self.report, self.session.look, self.event)
            self.query_one("#events", Static).update(words)

    def action_open(self) -> None:
        """Go on to the doubtful frames, or to those of the event chosen."""
        if self.event is None or self.report is None:
            self.post_message(PlaceWanted("doubtful"))
            return
        words = stretch(self.events[self.event], self.lines)
        self.post_message(FramesWanted(words, every_night=False, back="night"))

    def on_click(self, event: Click) -> None:
        """Show the frames of an event that is clicked."""
        at = event.style.meta.get("event")
        if at is not None:
            self.event = at
            self.action_open()

    def action_down(self) -> None:
        """Read on."""
        self._scroll(4)

    def action_up(self) -> None:
        """Read back."""
        self._scroll(-4)

    def _scroll(self, lines: int) -> None:
        for name in ("#night", "#right"):
            self.query_one(name).scroll_relative(y=lines, animate=False)


# --- the words ------------------------------------------------------------------------------


def _welcome(look: Look) -> Text:
    return Text.assemble(
        piece("\nNo night is stored yet.\n\n", look.accent, bold=True),
        piece("Scan your frames once from the command line:\n\n    runlog scan FOLDER\n\n"),
        piece("After that, s looks for new ones from here."),
    ).copy()


def _lost(words: str) -> Text:
    return Text.assemble("\nThis cannot be told now.\n\n", piece(words))


def outcome(
    run: RunLine, waiting: int | None, look: Look, report: "NightReport | None" = None
) -> Text:
    """Say in three lines what the night was worth."""
    text = Text()
    counts = report.counts if report else {}
    where = f" in {count(run.frames, 'light frame')}"
    worth, of = say.kept(run.kept_s, run.logged_s, where)
    text.append(worth, styled(look.keep, bold=True))
    text.append(f"{of}\n")
    text.append_text(share_bar(run, look))
    for grade, frames in counts.items():
        if frames:
            text.append(f"  {SIGNS[grade]} {frames} {grade}", styled(look.grade(grade)))
    text.append("\n")
    if waiting is None:
        text.append("Counting what waits for a decision …", styled(look.quiet))
    elif waiting:
        verb = "waits" if waiting == 1 else "wait"
        words = f"{count(waiting, 'frame')} {verb} for your decision: Enter"
        text.append(words, styled(look.doubtful, bold=True))
    else:
        text.append("Nothing waits for a decision", styled(look.quiet))
    return text


def share_bar(run: RunLine, look: Look) -> Text:
    """Draw kept, doubtful and rejected time as one bar of three signs."""
    text = Text()
    bar = night_bar(run.kept_s, run.doubtful_s, run.rejected_s, run.logged_s)
    for grade, seconds in bar.parts:
        cells = round(BAR * seconds / bar.whole_s) if bar.whole_s else 0
        text.append(BAR_SIGNS[grade] * max(cells, seconds > 0), styled(look.grade(grade)))
    return text


def verdicts(report: "NightReport", look: Look) -> Group:
    """Give each part of the rig its line."""
    grid = _grid(3)
    for part, found in report.verdicts.items():
        opinion = found.verdict
        word = Text(f"{OPINION_SIGNS[opinion]} {opinion}", style=styled(look.opinion(opinion)))
        words = common.beside(opinion, found.evidence)
        grid.add_row(Text(part.value), word, piece(words, look.quiet))
    return Group(_heading(say.PARTS, look), grid)


def events(report: "NightReport", look: Look, chosen: int | None = None) -> Group:
    """Tell what happened, in order."""
    grid = _grid()
    for at, event in enumerate(report.events):
        style = Style(meta={"event": at}, reverse=at == chosen or None)
        words = Text(safe(event.text), style=style)
        words.append(say.cost(event), styled(look.quiet))
        grid.add_row(Text(say.when(event), style=styled(look.accent) + style), words)
    if not grid.row_count:
        grid.add_row(piece(say.UNEVENTFUL, look.quiet))
    return Group(_heading(say.what_happened(report.events), look), grid)


def stretch(event: "Event", lines: Sequence[Frame]) -> str:
    """Find the words that list the frames of an event; of a pause, those before and after it."""
    starts = sorted(line.header.taken_at_utc for line in lines if line.header.taken_at_utc)
    within = [s for s in starts if event.start <= s < event.end]
    if not event.frames:
        before = [s for s in starts if s < event.start]
        within = [*before[-1:], *[s for s in starts if s >= event.end][:1]]
    first, last = (within[0], within[-1]) if within else (event.start, event.end)
    return f"from {first:%H:%M:%S} to {last:%H:%M:%S} utc"


def _grid(columns: int = 2) -> Table:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    for _ in range(columns - 1):  # else wide letters end in a cut where only a blank is too much
        grid.add_column(overflow="fold")
    return grid


def to_check(report: "NightReport", look: Look) -> Group | Text:
    """Say what to look at before the next night."""
    grid = _grid()
    for check in report.to_check:
        grid.add_row(Text(check.part.value), Text(safe(check.words)))
    return Group(_heading(say.TO_CHECK, look), grid) if grid.row_count else Text()


def added(report: "NightReport", look: Look) -> Text:
    """Say what the night added to the totals, and what is to go."""
    text = _heading(say.ADDED, look, end="\n")
    names = [fitted_names([t.target for t in report.added], MOST_NAME),
             fitted_names([t.filter for t in report.added], MOST_FILTER)]  # fmt: skip
    for total, name, filter_name in zip(report.added, *names, strict=True):
        text.append(f"{name} {filter_name}")
        text.append(f"{hours(total.kept_s):>11}", styled(look.keep, bold=True))
        for seconds, grade in ((total.doubtful_s, "doubtful"), (total.rejected_s, "reject")):
            words = f"{SIGNS[grade]} {hours(seconds)}" if seconds else ""
            text.append(f"{words:>12}", styled(look.grade(grade)))
        text.append("\n")
    text.rstrip()
    return text


def questions(report: "NightReport", look: Look) -> Text:
    """Repeat what is doubtful in the headers, and what else was taken."""
    text = Text()
    if report.questions:
        text = _heading(say.QUESTIONS, look, end="\n")
        text.append("".join(f"{safe(q)}\n" for q in report.questions))
    for line in say.more(report):
        text.append(f"{safe(line)}\n", styled(look.quiet))
    text.rstrip()
    return text


def _heading(words: str, look: Look, end: str = "") -> Text:
    return Text().append(f"{words}{end}", styled(look.accent, bold=True))


Write = Callable[["NightReport", Look], RenderableType]
WORDS: dict[str, Write] = {
    "verdicts": verdicts,
    "events": events,
    "check": to_check,
    "added": added,
    "questions": questions,
}
