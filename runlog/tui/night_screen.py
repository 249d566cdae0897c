"""The night: what happened, what it was worth, what needs a decision."""

from collections.abc import Callable, Iterator, Sequence
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
from runlog.core.columns import hours, said
from runlog.core.frame import Frame
from runlog.tui.calendar_screen import CalendarScreen
from runlog.tui.keys import NIGHT, bound
from runlog.tui.look import OPINION_SIGNS, SIGNS, Look
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import FramesWanted, PlaceWanted
from runlog.tui.session import Session
from runlog.tui.text import clock, count, fitted, piece, safe, styled
from runlog.tui.timeline import Span, Timeline
from runlog.tui.timeline_screen import TimelineScreen

if TYPE_CHECKING:
    from runlog.actions.night import NightReport

BAR = 24
MOMENTS = ("refocus", "flip", "jump", "moonrise", "moonset")  # over as soon as they begin


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

    def body(self) -> ComposeResult:
        """The outcome and time line on the left, or above; the words on the right, or below."""
        with VerticalScroll(id="night", can_focus=False):
            with Vertical(id="left"):
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
        self._say(outcome(run, self.session.open_count, look))
        self.call_after_refresh(self._tell, run)  # what is known is seen before more is asked

    def _say(self, words: Text) -> None:
        self.query_one("#outcome", Static).update(words)

    def _clear(self) -> None:
        """Leave nothing of another night on the screen."""
        self._told, self.report, self.lines, self.event = None, None, [], None
        self.query_one(Timeline).wait()
        for name in WORDS:
            self.query_one(f"#{name}", Static).update("")

    @work(exclusive=True, group="night")
    async def _tell(self, run: RunLine) -> None:
        lines = await self.ask(whole_run, run.id)
        if lines is not None:
            self.lines = lines
            self.query_one(Timeline).show(self.lines, self._spans())
            await self.session.count_open()
            report = await self.ask(report_of, self.session.settings, run)
            if report is not None:
                self.report, self._told = report, run.id
                self._fill(run, report)
        if self._told != run.id:
            words = self.session.trouble or self.session.said or "This night is not stored any more"
            self.query_one("#verdicts", Static).update(_lost(words))

    def _spans(self) -> list[Span]:
        if self.report is None:
            return []
        return [Span(e["kind"], e["start_utc"], e["end_utc"]) for e in self.report.row["events"]]

    def _fill(self, run: RunLine, report: "NightReport") -> None:
        look = self.session.look
        self._say(outcome(run, self.session.open_count, look, report))
        self.query_one(Timeline).show(self.lines, self._spans())
        for name, write in WORDS.items():
            self.query_one(f"#{name}", Static).update(write(report, look))
        if self.event is not None and self.event >= len(report.row["events"]):
            self.event = None
        self._show_event()

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
            await self.app.push_screen(TimelineScreen(self.session, self.lines, self._spans()))

    async def on_timeline_pointed(self, message: Timeline.Pointed) -> None:
        """Open the time line where it was clicked."""
        await self.app.push_screen(
            TimelineScreen(self.session, self.lines, self._spans(), message.at)
        )

    def action_event(self, step: int) -> None:
        """Choose the next event, or the one before."""
        found = len(self.report.row["events"]) if self.report else 0
        if not found:
            self.say("Nothing out of the ordinary happened")
            return
        start = -1 if step > 0 else 0
        self.event = ((start if self.event is None else self.event) + step) % found
        self._show_event()
        self.say("Enter shows its frames   Esc lets go")
        self.query_one("#events").scroll_visible(animate=False, immediate=True)

    def action_let_go(self) -> None:
        """Choose no event."""
        self.event = None
        self._show_event()

    def _show_event(self) -> None:
        self.query_one(Timeline).choose(self.event)
        if self.report is not None:
            words = events(self.report, self.session.look, self.event)
            self.query_one("#events", Static).update(words)

    def action_open(self) -> None:
        """Go on to the doubtful frames, or to those of the event chosen."""
        if self.event is None or self.report is None:
            self.post_message(PlaceWanted("doubtful"))
            return
        words = stretch(self.report.row["events"][self.event], self.lines)
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


def outcome(run: RunLine, waiting: int, look: Look, report: "NightReport | None" = None) -> Text:
    """Say in three lines what the night was worth."""
    text = Text()
    text.append(f"{hours(run.kept_s)} kept", styled(look.keep, bold=True))
    text.append(f" of {hours(run.logged_s)} in {count(run.frames, 'light frame')}\n")
    text.append_text(share_bar(run, look))
    if report is not None:
        counts = report.row["counts"]
        for grade in ("keep", "doubtful", "reject", "ungraded"):
            if counts[grade]:
                sign = f"  {SIGNS[grade]} {counts[grade]} {grade}"
                text.append(sign, styled(look.grade(grade)))
    text.append("\n")
    if waiting:
        verb = "waits" if waiting == 1 else "wait"
        words = f"{count(waiting, 'frame')} {verb} for your decision: Enter"
        text.append(words, styled(look.doubtful, bold=True))
    else:
        text.append("Nothing waits for a decision", styled(look.quiet))
    return text


def share_bar(run: RunLine, look: Look) -> Text:
    """Draw kept, doubtful and rejected time as one bar of three signs."""
    text = Text()
    parts = (("keep", run.kept_s, "█"), ("doubtful", run.doubtful_s, "▒"),
             ("reject", run.rejected_s, "×"))  # fmt: skip
    for grade, seconds, sign in parts:
        cells = round(BAR * seconds / run.logged_s) if run.logged_s else 0
        text.append(sign * max(cells, seconds > 0), styled(look.grade(grade)))
    return text


def verdicts(report: "NightReport", look: Look) -> Group:
    """Give each part of the rig its line."""
    grid = _grid()
    for part, found in report.row["verdicts"].items():
        opinion = found["verdict"]
        word = Text(f"{OPINION_SIGNS[opinion]} {opinion}", style=styled(look.opinion(opinion)))
        grid.add_row(Text(part), word, piece(said(opinion, found["evidence"]), look.quiet))
    return Group(_heading("Part by part", look), grid)


def events(report: "NightReport", look: Look, chosen: int | None = None) -> Group:
    """Tell what happened, in order."""
    grid = _grid()
    for at, event in enumerate(report.row["events"]):
        style = Style(meta={"event": at}, reverse=at == chosen or None)
        words = Text(safe(event["text"]), style=style)
        words.append(_cost(event), styled(look.quiet))
        grid.add_row(Text(_when(event), style=styled(look.accent) + style), words)
    if not grid.row_count:
        grid.add_row(piece("Nothing out of the ordinary", look.quiet))
    return Group(_heading("What happened (UTC)", look), grid)


def _when(event: dict[str, Any]) -> str:
    start, end = clock(event["start_utc"]), clock(event["end_utc"])
    return start if start == end or event["kind"] in MOMENTS else f"{start}–{end}"


def _cost(event: dict[str, Any]) -> str:
    if event["kind"] in MOMENTS:
        return ""
    cost = f"; {hours(event['cost_s'])} not kept" if event["cost_s"] else ""
    return f" ({count(event['frames'], 'frame')}{cost})"


def stretch(event: dict[str, Any], lines: Sequence[Frame]) -> str:
    """Find the words that list the frames of an event; of a pause, those before and after it."""
    starts = sorted(line.header.taken_at_utc for line in lines if line.header.taken_at_utc)
    within = [s for s in starts if event["start_utc"] <= s < event["end_utc"]]
    if not event["frames"]:
        before = [s for s in starts if s < event["start_utc"]]
        within = [*before[-1:], *[s for s in starts if s >= event["end_utc"]][:1]]
    first, last = (within[0], within[-1]) if within else (event["start_utc"], event["end_utc"])
    return f"from {first:%H:%M:%S} to {last:%H:%M:%S}"


def _grid() -> Table:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    return grid


def to_check(report: "NightReport", look: Look) -> Group | Text:
    """Say what to look at before the next night."""
    grid = _grid()
    for line in report.story.to_check:
        part, _, words = line.partition(": ")
        grid.add_row(Text(part), Text(safe(words)))
    return (
        Group(_heading("To check before the next night", look), grid) if grid.row_count else Text()
    )


def added(report: "NightReport", look: Look) -> Text:
    """Say what the night added to the totals, and what is to go."""
    text = _heading("Added to the totals", look, end="\n")
    for row in report.row["added"]:
        text.append(fitted(safe(row["target"]), 11))
        text.append(fitted(safe(row["filter"]), 5))
        text.append(f"{hours(row['kept_s']):>11}", styled(look.keep, bold=True))
        for key, sign, grade in (("doubtful_s", "?", "doubtful"), ("rejected_s", "×", "reject")):
            words = f"{sign} {hours(row[key])}" if row[key] else ""
            text.append(f"{words:>12}", styled(look.grade(grade)))
        text.append("\n")
    text.rstrip()
    return text


def questions(report: "NightReport", look: Look) -> Text:
    """Repeat what is doubtful in the headers, and what else was taken."""
    text = Text()
    if report.questions:
        text = _heading("Doubtful in the headers", look, end="\n")
        text.append("".join(f"{safe(q)}\n" for q in report.questions))
    for line in _more(report):
        text.append(f"{line}\n", styled(look.quiet))
    text.rstrip()
    return text


def _more(report: "NightReport") -> Iterator[str]:
    row = report.row
    if row["lost"]:
        causes = (f"{hours(seconds)} {cause}" for cause, seconds in row["lost"].items())
        yield f"{hours(sum(row['lost'].values()))} not kept: {', '.join(causes)}"
    if report.dark:
        yield f"dark from {clock(report.dark[0])} to {clock(report.dark[1])} UTC"
    if report.doubt:
        yield f"dark from when to when is {report.doubt}"
    if row["first_utc"]:
        yield f"frames from {clock(row['first_utc'])} to {clock(row['last_utc'])} UTC"
    if report.others:
        yield "also taken: " + ", ".join(f"{n} {kind}" for kind, n in report.others.most_common())


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
