"""A table of any number of frames: ids for all, lines only for the pages one has seen."""

from array import array
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual.events import Click
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from runlog.core.columns import COLUMNS, NOTHING, written
from runlog.core.frame import Frame, Grade, Judgement
from runlog.core.published import value_of
from runlog.core.selection import Order
from runlog.core.times import Zone
from runlog.tui.look import SIGNS, Look
from runlog.tui.session import Session
from runlog.tui.text import fitted, fitted_end, safe, styled

PAGE = 100
KEPT_PAGES = 50


@dataclass(frozen=True, slots=True)
class Cell:
    """One column of the list: what it shows, how wide, in terminals from how wide."""

    key: str
    width: int
    from_width: int = 0
    label: str = ""

    @property
    def heading(self) -> str:
        """Its label, shorter than the published one where room is dear."""
        return self.label or COLUMNS[self.key].label


CELLS = (
    Cell("taken_at_utc", 6),
    Cell("target", 10),
    Cell("filter", 6),
    Cell("exposure_s", 6, 77, label="length"),
    Cell("fwhm_px", 7, label="FWHM px"),
    Cell("eccentricity", 5),
    Cell("background_adu", 8, 100),
    Cell("stars", 5, 110),
    Cell("noise_adu", 7, 130, label="noise"),
    Cell("airmass", 8, 120),
    Cell("transparency", 6, 140, label="transp"),
    Cell("sensor_c", 7, 150, label="sensor"),
    Cell("peak_adu", 8, 160),
    Cell("hfr_px", 6, 175, label="half r"),
    Cell("grade", 13),
)
FILE_CELLS, FILES_FROM = 30, 190  # the file's name, in terminals from how wide
MOST_NAMES = 10_000
NAMES_FROM, MOST_NAME = 100, 28  # names of targets get more room in wider terminals
PICK = 2
DATED_MORE = 9  # cells a date takes beside the time


def _value(line: Frame, key: str, dated: bool, zone: Zone) -> str:
    value = value_of(line, key)
    if value is None:
        return NOTHING
    if key == "taken_at_utc":
        local = zone.local(value)
        again = "²" if local.fold else ""  # the hour that a change of clocks brings twice
        return f"{local:%y-%m-%d %H:%M}{again}" if dated else f"{local:%H:%M}{again}"
    if key in ("transparency", "sensor_c"):
        return f"{value:.2f}" if key == "transparency" else f"{value:.1f}"
    if key == "exposure_s":
        return f"{value:g}s"
    if key == "grade":
        mine = " *" if line.judgement.graded_by == "person" else ""
        return f"{SIGNS[value]} {value}{mine}"
    return written(key, value)


def _why(judgement: Judgement) -> str:
    """Name the faults; behind them the note, and what people say whose rig it is not."""
    faults = ", ".join(fault.name for fault in judgement.faults)
    note = f"“{judgement.note}”" if judgement.note else ""
    said = "; ".join(judgement.said)
    return " ".join(filter(None, (faults, note, said)))


def layout(width: int, dated: bool) -> list[Cell]:
    """Choose the columns that fit, in their order; dates leave less room for the others."""
    room = width - DATED_MORE * dated
    first, *others = CELLS
    first = replace(first, width=first.width + DATED_MORE * dated)
    wide = min(max(room - NAMES_FROM, 0) // 4, MOST_NAME - 10)
    return [
        first,
        *(replace(c, width=c.width + wide) if c.key == "target" else c
          for c in others if room >= c.from_width),
    ]  # fmt: skip


RIGHT = frozenset(key for key, column in COLUMNS.items() if column.right) | {
    "transparency",
    "sensor_c",
}


def _marked(judgement: Judgement, grade: str) -> Judgement:
    if grade == "auto":
        return replace(judgement, graded_by="auto", grade=judgement.auto_grade)
    return replace(judgement, graded_by="person", grade=Grade(grade))


class FrameTable(ScrollView, can_focus=True, inherit_bindings=False):
    """Rows are drawn from a cache of pages; what is missing is asked for and comes later."""

    class PageWanted(Message):
        """Lines are needed."""

        def __init__(self, ids: Sequence[int]) -> None:
            super().__init__()
            self.ids = ids

    class Moved(Message):
        """The cursor is on another frame, or its line has come."""

        def __init__(self, line: Frame | None) -> None:
            super().__init__()
            self.line = line

    class Opened(Message):
        """A row was clicked twice."""

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(**more)
        self.session = session
        self.ids: array[int] = array("q")
        self.cursor = 0
        self.stay_on: int | None = None  # until somebody moves: the frame to be on once listed
        self.picked: set[int] = set()
        self.dated = False
        self._pages: OrderedDict[int, dict[int, Frame]] = OrderedDict()
        self._asked: set[int] = set()
        self.names: dict[int, str] = {}  # of files, for the pages one has seen
        self._anchor: int | None = None
        self._styles: dict[tuple[object, ...], Style] = {}

    # --- content ----------------------------------------------------------------------------

    def show(self, ids: "array[int]") -> None:
        """Take a new list; stay on the same frame when it is still in it.

        It is the one the cursor is on now: keys may have moved it since the list was asked for.
        """
        stay_on = self.stay_on or (self.ids[self.cursor] if self.ids else None)
        self.ids = ids
        if len(self.names) > MOST_NAMES:
            self.names.clear()
        self._pages.clear()
        self._asked.clear()
        self.picked &= set(ids) if self.picked else set()
        at = self.place_of(stay_on)
        self.cursor = at if at is not None else min(self.cursor, max(len(ids) - 1, 0))
        self.virtual_size = Size(self.size.width, len(ids))
        self.ask_around(self.cursor)
        self._follow()
        self.refresh()

    def place_of(self, frame_id: int | None) -> int | None:
        """Find the row of a frame; None when it is not in the list."""
        if frame_id is None:
            return None
        try:
            return self.ids.index(frame_id)
        except ValueError:
            return None

    @property
    def shows_files(self) -> bool:
        """Whether there is room for the names of files."""
        return self.size.width >= FILES_FROM

    def take_lines(self, lines: dict[int, Frame], wanted: Sequence[int]) -> None:
        """Keep a page of lines that has come."""
        first = self.place_of(wanted[0]) if wanted else None
        if first is None or first % PAGE:
            return  # of a list that is no longer shown
        number = first // PAGE
        self._asked.discard(number)
        self._pages[number] = lines
        while len(self._pages) > KEPT_PAGES:
            self._pages.popitem(last=False)
        self.refresh()
        if number == self.cursor // PAGE:
            self.post_message(self.Moved(self.line))

    def ask_around(self, at: int) -> None:
        """Ask for the page of a row and its neighbours."""
        for number in (at // PAGE, at // PAGE + 1, at // PAGE - 1):
            if number in self._pages or number in self._asked:
                continue
            ids = self.ids[number * PAGE : (number + 1) * PAGE] if number >= 0 else ()
            if ids:
                self._asked.add(number)
                self.post_message(self.PageWanted(ids))

    def line_at(self, at: int) -> Frame | None:
        """The line of a row; None while it is on its way."""
        if not 0 <= at < len(self.ids):
            return None
        return self._pages.get(at // PAGE, {}).get(self.ids[at])

    @property
    def line(self) -> Frame | None:
        """The line under the cursor."""
        return self.line_at(self.cursor)

    def regrade(self, ids: Iterable[int], grade: str) -> None:
        """Show a decision at once; the database says the same a moment later."""
        wanted = set(ids)
        for page in self._pages.values():
            for frame_id in wanted & page.keys():
                line = page[frame_id]
                page[frame_id] = replace(line, judgement=_marked(line.judgement, grade))
        self.refresh()

    # --- moving and picking -----------------------------------------------------------------

    def move_to(self, at: int) -> None:
        """Put the cursor on a row."""
        at = min(max(at, 0), max(len(self.ids) - 1, 0))
        before, self.cursor = self.cursor, at
        self._anchor = self.stay_on = None
        self.ask_around(at)
        self._follow()
        self._refresh_rows(before, at)
        self.post_message(self.Moved(self.line))

    def _follow(self) -> None:
        top, height = round(self.scroll_y), max(self.size.height, 1)
        if self.cursor < top:
            self.scroll_to(y=self.cursor, animate=False, force=True, immediate=True)
        elif self.cursor >= top + height:
            self.scroll_to(y=self.cursor - height + 1, animate=False, force=True, immediate=True)

    def _refresh_rows(self, *rows: int) -> None:
        top = round(self.scroll_y)
        for row in rows:
            if top <= row < top + self.size.height:
                self.refresh(Region(0, row - top, self.size.width, 1))

    def pick(self) -> None:
        """Pick the row under the cursor or drop it, and move down."""
        if self.ids:
            self.picked ^= {self.ids[self.cursor]}
            self.move_to(self.cursor + 1)

    def stretch(self, step: int) -> None:
        """Pick from where stretching began to the next row."""
        if not self.ids:
            return
        anchor = self.cursor if self._anchor is None else self._anchor
        self.move_to(self.cursor + step)
        self._anchor = anchor
        first, last = sorted((anchor, self.cursor))
        self.pick_rows(first, last + 1)

    def pick_rows(self, first: int, end: int) -> None:
        """Pick a stretch of rows, up to but without `end`."""
        self.picked |= set(self.ids[first:end])
        self.refresh()

    def drop(self) -> bool:
        """Drop all that is picked; False when nothing was."""
        had = bool(self.picked)
        self.picked.clear()
        self.refresh()
        return had

    def chosen(self) -> list[int]:
        """What a decision is about: what is picked, else the row under the cursor."""
        if self.picked:
            return [frame_id for frame_id in self.ids if frame_id in self.picked]
        return [self.ids[self.cursor]] if self.ids else []

    def on_click(self, event: Click) -> None:
        """Move to a row; a second click opens it."""
        at = round(self.scroll_y) + event.y
        if at < len(self.ids):
            again = at == self.cursor and event.chain > 1
            self.move_to(at)
            if again:
                self.post_message(self.Opened())

    # --- drawing ----------------------------------------------------------------------------

    def on_resize(self) -> None:
        """Keep the cursor in sight; with new room for names of files, load them."""
        if self.shows_files and self._pages and not self.names:
            self._pages.clear()
            self._asked.clear()
            self.ask_around(self.cursor)
        self.virtual_size = Size(self.size.width, len(self.ids))
        self._follow()

    def watch_scroll_y(self, old_value: float, new_value: float) -> None:
        """Ask for pages the wheel or the bar brings into view."""
        super().watch_scroll_y(old_value, new_value)
        self.ask_around(round(new_value) + self.size.height // 2)

    def render_line(self, y: int) -> Strip:
        """Draw one row."""
        at = y + round(self.scroll_y)
        width = self.size.width
        look = self.session.look
        if at >= len(self.ids):
            return Strip.blank(width, self.rich_style)
        line = self.line_at(at)
        here = at == self.cursor
        picked = self.ids[at] in self.picked
        if line is None:
            words = fitted("  …", width)
            return Strip([Segment(words, self._style(look, look.quiet, here, picked))], width)
        return Strip(list(self._segments(line, width, look, here, picked)), width)

    def _segments(
        self, line: Frame, width: int, look: Look, here: bool, picked: bool
    ) -> Iterable[Segment]:
        plain = self._style(look, look.text, here, picked)
        quiet = self._style(look, look.quiet, here, picked)
        grade = self._style(
            look, look.grade(line.judgement.grade), here, picked, line.judgement.grade != "keep"
        )
        yield Segment("▌ " if picked else "  ", self._style(look, look.accent, here, picked))
        used = PICK
        for cell in layout(width, self.dated):
            text = safe(_value(line, cell.key, self.dated, self.session.zone))
            style = grade if cell.key == "grade" else plain
            used += cell.width + 1
            yield Segment(fitted(text, cell.width, cell.key in RIGHT) + " ", style)
        if width >= FILES_FROM:
            used += FILE_CELLS + 1
            name = safe(self.names.get(line.identity.id, ""))
            yield Segment(f"{fitted_end(name, FILE_CELLS)} ", quiet)
        yield Segment(fitted(safe(_why(line.judgement)), max(width - used, 0)), quiet)

    def _style(self, look: Look, color: str, here: bool, picked: bool, bold: bool = False) -> Style:
        key = (look, color, here, picked, bold)
        style = self._styles.get(key)
        if style is None:
            ground = look.cursor if here else look.raised if picked else look.ground
            style = Style(
                color=color or None,
                bgcolor=ground or None,
                bold=bold or picked or None,
                reverse=(here and not look.cursor) or None,
            )
            self._styles[key] = style
        return style


def heading(width: int, dated: bool, order: Order, look: Look, zone_name: str) -> Strip:
    """Draw the labels; an arrow shows what the list is in order of."""
    segments = [Segment(" " * PICK, styled(look.quiet))]
    for cell in layout(width, dated):
        sorted_by = cell.key == order.column
        arrow = ("↓" if order.descending else "↑") if sorted_by else ""
        words = zone_name if cell.key == "taken_at_utc" else cell.heading
        label = words[: cell.width - len(arrow)] + arrow
        style = styled(look.accent if sorted_by else look.quiet, bold=sorted_by)
        segments.append(Segment(fitted(label, cell.width, cell.key in RIGHT) + " ", style))
    if width >= FILES_FROM:
        segments.append(Segment(fitted("file", FILE_CELLS) + " ", styled(look.quiet)))
    segments.append(Segment("why", styled(look.quiet)))
    return Strip(segments).adjust_cell_length(width)
