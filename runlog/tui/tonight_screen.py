"""The coming night: what to do until dawn, a strip a target, and the facts in words."""

from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from textwrap import wrap
from typing import Any, ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.widgets import Static

from runlog.actions.open import Database
from runlog.actions.together import RigPlan
from runlog.actions.tonight import Asked, Tonight, tonight
from runlog.config import Settings
from runlog.core.plan import words
from runlog.core.plan.publish import frames_words, rows_of, strip
from runlog.core.plan.shared_words import best_words, shared_words
from runlog.core.plan.sky_grid import moment_of
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.times import times_in
from runlog.errors import UsageError
from runlog.tui.keys import TONIGHT, bound
from runlog.tui.main_screen import MainScreen
from runlog.tui.messages import PageOf
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled

LEAST_STRIP, MOST_NAME = 12, 30  # cells


def now() -> datetime:
    """Tell the time; apart, so that tests can stop it."""
    return datetime.now(UTC)


def plan_or_why(
    engine: Database,
    settings: Settings,
    at: datetime,
    chosen: Selection = EVERYTHING,
    owner: str | None = None,
) -> Tonight | str:
    """Plan the coming night, or say why it cannot be planned; a login's own rigs for its goals."""
    asked = Asked(at, selection=chosen, owner=owner)
    try:
        return tonight(engine, settings, asked)
    except UsageError as error:
        return str(error)


@dataclass(frozen=True)
class Line:
    """A target through a filter: its plan, its number there, and its published row."""

    rig: RigPlan
    number: int
    row: dict[str, Any]
    several: bool = False  # whether other rigs have a line of this target and filter

    @property
    def name(self) -> str:
        """How it is called; with its rig, where several have it."""
        name = safe(f"{self.row['target']} {self.row['filter']}")
        return f"{name}, {safe(self.rig.rig.name)}" if self.several else name


def lines_of(found: Tonight) -> list[Line]:
    """List what is wanted in the order of the plan, then the rest; each action once."""
    lines = []
    for rig in found.rigs:
        numbers = {(a.target, a.filter): n for n, a in enumerate(rig.plan.actions)}
        seen = set()
        for row in rows_of(rig.plan):
            key = (row["target"], row["filter"])
            if key not in seen:
                lines.append(Line(rig, numbers[key], row))
            seen.add(key)
    count = Counter(line.name for line in lines)
    return [replace(line, several=count[line.name] > 1) for line in lines]


class TonightScreen(MainScreen):
    """One strip a target through the dark: as high as a minute is worth, not as high as it is."""

    scope = "tonight"
    place = "tonight"
    BINDINGS: ClassVar[list[Any]] = bound(TONIGHT)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.found: Tonight | None = None
        self.why = ""
        self.lines: list[Line] = []
        self.at = 0
        self.opened = False  # the next nights of the target under the cursor

    def body(self) -> ComposeResult:
        """The night in words, a strip a target, and the target under the cursor in words."""
        yield Static(id="plan_head")
        yield Static(id="plan_rows")
        yield Static(id="plan_told")

    def depends_on(self) -> tuple[object, ...]:
        """The plan is made from all nights, and from goals."""
        return (self.session.version, self.session.look, self.session.zone, self.session.view)

    def reload(self) -> None:
        """Plan again beside the painting."""
        self._reload()

    @work(exclusive=True, group="tonight")
    async def _reload(self) -> None:
        session, view = self.session, self.session.view
        asked = session.settings, now(), session.chosen, session.owner
        found = await self.ask_much(plan_or_why, *asked)
        if found is None or view != session.view:
            return
        self.found, self.why = (None, found) if isinstance(found, str) else (found, "")
        with times_in(self.session.zone):
            self.lines = lines_of(self.found) if self.found else []
        self.at = min(self.at, max(len(self.lines) - 1, 0))
        self.draw()

    def on_resize(self) -> None:
        """Draw for the room there is now."""
        if self.found or self.why:
            self.draw()

    # --- showing ----------------------------------------------------------------------------

    def draw(self) -> None:
        """Draw the plan with the cursor on one target."""
        head, rows, told = (self.query_one(f"#plan_{part}", Static)
                            for part in ("head", "rows", "told"))  # fmt: skip
        if self.found is None:
            head.update(Text(safe(self.why.split("\n")[0])))
            rows.update(Text("\n ".join(["", *map(safe, self.why.split("\n")[1:])])))
            told.update("")
            return
        with times_in(self.session.zone):
            head.update(Text("\n").join(self._head(self.found)))
            rows.update(Text("\n").join(self._rows(self.found)))
            told.update(Text("\n").join(Text(safe(line)) for line in self._told()))

    def _head(self, found: Tonight) -> list[Text]:
        look, first = self.session.look, found.rigs[0].plan
        bold = styled(look.accent, bold=True)
        said = [Text(f"Night of {found.night}", style=bold)]
        if found.share_a_site:
            said.append(Text(words.heading(first)))
        if not found.goals_set:
            said.append(Text(words.NO_GOALS))
        return said

    def _rows(self, found: Tonight) -> list[Text]:
        """Write each rig's running order, and the strips below, as far as there is room."""
        text: list[Text] = []
        for rig in found.rigs:
            text += self._order(rig)
            if not found.share_a_site:
                text += self._sky(rig)
        room = max(self.query_one("#plan_rows").size.height - len(text) - 1, 1)
        top = max(min(self.at - room // 2, len(self.lines) - room), 0)
        text.append(Text("Worth of a minute through the dark (full height: 1; blank: not up)",
                         style=styled(self.session.look.quiet)))  # fmt: skip
        text += [self._line(i) for i in range(top, min(top + room, len(self.lines)))]
        return text

    def _sky(self, rig: RigPlan) -> list[Text]:
        """Say when it is dark where a rig stands, in lines that fit."""
        said = f"Night of {rig.night}. {words.heading(rig.plan)}"
        return [Text(f"  {line}") for line in wrap(said, max(self.size.width - 4, 1))]

    def _order(self, rig: RigPlan) -> list[Text]:
        plan = rig.plan
        title = "Running order" if plan.blocks else "Nothing to do tonight"
        heads = [f"{title}, {safe(rig.rig.name)}"]
        best = best_words(plan)
        if best:
            fits = cell_len(f"{heads[0]}, {best}") < self.size.width - 1
            heads = [f"{heads[0]}, {best}"] if fits else [*heads, f"  {best}"]
        text = [Text(head, style="bold") for head in heads]
        for remark in rig.remarks:
            text += [Text(f"  {line}") for line in wrap(safe(remark), max(self.size.width - 4, 1))]
        for block in plan.blocks:
            when = words.between(moment_of(block.start), moment_of(block.end))
            name = safe(f"{block.action.target} {block.action.filter}")
            text.append(Text(f"  {when}  {name}: {frames_words(block)}"))
            shared = wrap(safe("; ".join(shared_words(plan, block))), max(self.size.width - 6, 1))
            text += [Text(f"    {line}") for line in shared]
        return text

    def _line(self, i: int) -> Text:
        line, look = self.lines[i], self.session.look
        width = min(max(cell_len(one.name) for one in self.lines), MOST_NAME)
        chance, plan = line.rig.plan.chances[line.number], line.rig.plan
        text, here = Text(), i == self.at
        text.append(f" {fitted(line.name, width)} ", styled("", bold=here, reverse=here))
        cells = max(self.size.width - width - 4, LEAST_STRIP)
        if chance is not None and chance.spans and plan.dark.span is not None:
            minutes = (plan.dark.span[1] - plan.dark.span[0]) * 1440 / cells
            text.append(strip(plan, chance, minutes), styled(look.accent))
        else:
            text.append(safe(line.row["reason"] or ""), styled(look.quiet))
        return text

    def _told(self) -> list[str]:
        if not self.lines:
            return ["Every goal is reached, has no hours yet, or there is none to plan.",
                    words.NO_FORECAST]  # fmt: skip
        line = self.lines[self.at]
        if self.opened:
            return [line.name, words.next_nights(line.rig.plan, line.number)]
        said = list(words.row_words(line.row))
        law = line.rig.plan.setting.known.laws[line.row["filter"]].moon_from
        return [f"{line.name}: {said[0] if said else ''}", *said[1:],
                f"The Moon in {line.row['filter']}: {law}. {words.NO_FORECAST}"]  # fmt: skip

    def page_in_view(self) -> PageOf | None:
        """A page of the target under the cursor; without a plan, of the night in view."""
        if not self.lines:
            return super().page_in_view()
        return PageOf("target", self.lines[self.at].row["target"])

    # --- keys -------------------------------------------------------------------------------

    def action_move(self, step: int) -> None:
        """Move by rows."""
        self.at = min(max(self.at + step, 0), max(len(self.lines) - 1, 0))
        self.opened = False
        self.draw()

    def action_open(self) -> None:
        """Show the next good nights of this target, or its night again."""
        self.opened = not self.opened and bool(self.lines)
        self.draw()
