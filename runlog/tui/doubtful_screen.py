"""The doubtful frames, one after another: picture first, a key decides and moves on."""

from collections.abc import Sequence
from typing import Any, ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from runlog.actions.queue import Case, doubtful_cases, usual
from runlog.core.columns import hours, written
from runlog.core.frame import Frame
from runlog.core.published import value_of
from runlog.core.selection import Selection
from runlog.core.times import Zone
from runlog.tui.keys import DOUBTFUL, bound
from runlog.tui.look import SIGNS, Look
from runlog.tui.messages import Graded
from runlog.tui.session import Session
from runlog.tui.text import clock, count, piece, safe, styled
from runlog.tui.with_picture import WithPicture
from runlog.tui.words import reasons, shown


class DoubtfulScreen(WithPicture):
    """Only what needs a person; `11 of 14 left` is counted from the database."""

    scope = "doubtful"
    place = "doubtful"
    BINDINGS: ClassVar[list[Any]] = bound(DOUBTFUL)

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.cases: list[Case] = []
        self.at = 0
        self.every_night = False
        self.unfolded: set[int] = set()  # first frames of blocks taken apart
        self.ended = False  # past the last one: no key decides on a frame that is not in view
        self.just_judged: set[int] = set()  # decided, though the database has not said so yet

    def body(self) -> ComposeResult:
        """What is left and why, above the picture; its values beside it where there is room."""
        yield Static(id="left-over")
        yield Static(id="worth")
        with Vertical(id="case"):
            yield from self.easel()
            yield Static(id="facts")

    def depends_on(self) -> tuple[object, ...]:
        """All nights do not depend on the run in view."""
        return (*super().depends_on(), self.every_night)

    def reload(self) -> None:
        """Load again beside the painting."""
        self._reload()

    @work(exclusive=True, group="queue")
    async def _reload(self) -> None:
        """Load the queue; stay with the frame in view, or begin with the first left."""
        run = self.session.here
        of_run = None if self.every_night or run is None else Selection(run_id=run.id)
        cases = await self.ask(doubtful_cases, of_run or self.session.chosen)
        if cases is None:
            return
        await self.keys_done()
        here = self.case.head.identity.id if self.case else None
        self.cases = [part for case in cases for part in self._parts(case)]
        self.just_judged &= self.session.decisions.pending
        self.at = self._find(here)
        self.ended = bool(self.cases) and not self.left() and (self.ended or here is None)
        self.present()

    def _parts(self, case: Case) -> list[Case]:
        if case.frames[0].identity.id in self.unfolded:
            return [Case((line,)) for line in case.frames]
        return [case]

    def _find(self, frame_id: int | None) -> int:
        for i, case in enumerate(self.cases):
            if frame_id in case.ids:
                return i
        return self._next_open(-1) or 0

    @property
    def case(self) -> Case | None:
        """The decision in view."""
        return self.cases[self.at] if 0 <= self.at < len(self.cases) else None

    def _open(self, case: Case) -> bool:
        return not case.decided and not self.just_judged.issuperset(case.ids)

    def _next_open(self, after: int) -> int | None:
        """Find the next case still open, going round once."""
        total = len(self.cases)
        for ahead in range(1, total + 1):
            at = (after + ahead) % total
            if self._open(self.cases[at]):
                return at
        return None

    def point_to(self, ids: Sequence[int]) -> None:
        """Turn back to what was taken back."""
        self.just_judged.difference_update(ids)
        self.ended = False
        for i, case in enumerate(self.cases):
            if not set(ids).isdisjoint(case.ids):
                self.at = i
                self.present()
                return

    # --- showing ----------------------------------------------------------------------------

    def present(self) -> None:
        """Show the case in view, or that there is none."""
        case, look = self.case, self.session.look
        self.query_one("#case").display = case is not None and not self.ended
        heading = self.query_one("#left-over", Static)
        self._weigh_case()
        if case is None:
            heading.update(self._nothing(look))
            return
        if self.ended:
            heading.update(self._end(look))
            return
        heading.update(self._heading(case, look))
        self.look_at(case.head.identity.id, self._ahead())
        self._compare_facts(case.head)

    def _weigh_case(self) -> None:
        """Weigh the case in view by what is stored, not before the last key's grade is."""
        if self.case is None or self.ended or self.just_judged:
            self.unweigh()
        else:
            self.weigh(self.case.ids)

    @work(exclusive=True, group="facts")
    async def _compare_facts(self, line: Frame) -> None:
        common = await self.ask(usual, line, list(FACTS)) or {}
        self.query_one("#facts", Static).update(facts(line, common, self.session.look))

    def _ahead(self) -> list[int]:
        places = (self.at + 1, self.at + 2, self.at - 1)
        return [self.cases[i].head.identity.id for i in places if 0 <= i < len(self.cases)]

    def left(self) -> int:
        """How many decisions are left."""
        return sum(self._open(case) for case in self.cases)

    def _nothing(self, look: Look) -> Text:
        night = "any night" if self.every_night else "this night"
        return Text.assemble(
            piece(f"\nNo frame of {night} waits for a decision.\n\n", look.keep, bold=True),
            piece("1 the night   2 all frames   4 the totals   A all nights", look.quiet),
        )

    def _end(self, look: Look) -> Text:
        total = len(self.cases)
        return Text.assemble(
            piece(f"\n all {total} decided ", look.keep, bold=True),
            piece("\n\n 1 the night   4 the totals   q leaves\n"),
            piece(" Space looks at them again   u takes the last back   A all nights", look.quiet),
        )

    def _heading(self, case: Case, look: Look) -> Text:
        text = Text(no_wrap=False)
        left, total = self.left(), len(self.cases)
        if left:
            text.append(f" {left} of {total} left ", styled(look.doubtful, bold=True, reverse=True))
        else:
            text.append(f" all {total} decided ", styled(look.keep, bold=True, reverse=True))
        text.append_text(_name(case, look, self.session.zone))
        text.append("\n")
        text.append_text(reasons(case.head, look))
        return text

    # --- keys -------------------------------------------------------------------------------

    def action_grade(self, grade: str) -> None:
        """Decide, and move on to the next one open."""
        case = self.case
        if case is None:
            return
        if self.ended:
            self.say("All are decided already: nothing was changed. Space looks at them again")
            return
        self.post_message(Graded(case.ids, grade))
        if grade == "auto":
            return
        self.just_judged.update(case.ids)
        following = self._next_open(self.at)
        if following is not None:
            self.at = following
            self.present()
        else:
            self.ended = True
            self.present()

    def action_step(self, step: int) -> None:
        """Leave this one for later, or go back."""
        if self.cases:
            back = self.ended and step < 0  # to the one decided last
            self.at = (self.at + (0 if back else step)) % len(self.cases)
            self.ended = False
            self.present()

    def action_unfold(self) -> None:
        """Take a block apart; the same key folds it again."""
        case = self.case
        if case is None or self.ended:
            return
        if len(case.frames) > 1:
            self.unfolded.add(case.frames[0].identity.id)
        elif self.unfolded:
            self.unfolded.clear()
        else:
            self.say("This is a single frame; only runs of short ones are folded")
            return
        self.reload()

    def action_every_night(self) -> None:
        """Look at all nights, or at this one only."""
        self.every_night, self.ended = not self.every_night, False
        self.catch_up()

    async def action_note(self) -> None:
        """Write a note on the case."""
        if self.case is not None and not self.ended:
            await self.ask_for_note(self.case.ids)


def _name(case: Case, look: Look, zone: Zone) -> Text:
    line = case.head
    text = Text(
        f"  {safe(line.context.target)} {safe(line.context.filter)} ", style=styled(bold=True)
    )
    text.append(written("exposure_s", line.header.exposure_s))
    if len(case.frames) > 1:
        first, last = case.frames[0].header.taken_at_utc, case.frames[-1].header.taken_at_utc
        seconds = sum(f.header.exposure_s or 0 for f in case.frames)
        words = f"  a block of {count(len(case.frames), 'frame')} ({hours(seconds)})"
        words += f", {clock(first, zone)} to {clock(last, zone)}"
        text.append(words, styled(look.accent, bold=True))
    if case.decided:
        text.append(
            f"  {SIGNS[line.judgement.grade]} {line.judgement.grade} *",
            styled(look.grade(line.judgement.grade)),
        )
    return text


FACTS = {
    "fwhm_px": "FWHM px", "eccentricity": "eccentricity", "hfr_px": "half-flux r",
    "stars": "stars", "background_adu": "sky ADU", "noise_adu": "noise ADU",
    "transparency": "transparency", "airmass": "airmass",
}  # fmt: skip


def facts(line: Frame, common: dict[str, float | None], look: Look) -> Text:
    """List the values of a frame beside what is usual for kept ones of its kind."""
    text = Text()
    text.append(f" {'frame':<12}{'this':>8}{'usual':>9}\n", styled(look.quiet))
    for key, name in FACTS.items():
        if value_of(line, key) is None:
            continue
        text.append(f" {name:<12}", styled(look.quiet))
        text.append(f"{shown(key, value_of(line, key)):>8}", styled(look.text, bold=True))
        text.append(f"{shown(key, common.get(key)):>9}\n", styled(look.quiet))
    return text
