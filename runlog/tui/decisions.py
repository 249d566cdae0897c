"""Decisions of this sitting: stored one after another, taken back, made again."""

import asyncio
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from textual.timer import Timer

from runlog.actions import judge as judging
from runlog.actions.judge import Step
from runlog.actions.review import settle_now
from runlog.tui.text import count

if TYPE_CHECKING:
    from runlog.tui.app import ReviewApp

SETTLE_AFTER_S = 1.5  # after the last decision, so that a quick hand is never waited for


class Decisions:
    """What was decided since the interface was opened."""

    def __init__(self, app: "ReviewApp") -> None:
        self._app = app
        self._done: list[Step] = []
        self._undone: list[Step] = []
        self._one_by_one = asyncio.Lock()  # marks are stored in the order of the keys
        self._settle_timer: Timer | None = None

    async def grade(self, ids: Sequence[int], grade: str) -> None:
        """Store a decision."""
        step = await self._write(judging.judge, list(ids), grade, self._app.who)
        if step is not None:
            said = "given back to the automatic grade" if grade == "auto" else f"marked {grade}"
            self._made(step, f"{count(step.frames, 'frame')} {said} (u undoes)")

    async def annotate(self, ids: Sequence[int], note: str) -> None:
        """Store a note; an empty one takes it away."""
        step = await self._write(judging.annotate, list(ids), note.strip() or None, self._app.who)
        if step is not None:
            self._made(step, f"Note on {count(step.frames, 'frame')} (u undoes)")

    async def undo(self) -> None:
        """Take the last decision back."""
        await self._walk(self._done, self._undone, "Taken back", "Nothing to take back")

    async def redo(self) -> None:
        """Make the last one taken back again."""
        await self._walk(self._undone, self._done, "Made again", "Nothing to make again")

    def _made(self, step: Step, words: str) -> None:
        self._done.append(step)
        self._undone.clear()
        self._app.say(words)
        self._follow_up()

    async def _walk(self, steps: list[Step], others: list[Step], word: str, none: str) -> None:
        if not steps:
            self._app.say(none)
            return
        step = steps.pop()
        back = await self._write(judging.take_back, step, self._app.who)
        if back is None:
            steps.append(step)
            return
        others.append(back)
        self._app.point_to(list(back.made))
        left = step.frames - back.frames
        by = f"; {count(left, 'frame')} since marked by {', '.join(back.passed_over)} left alone"
        self._app.say(f"{word}: {count(back.frames, 'frame')}{by if left else ''}")
        self._follow_up()

    async def _write(self, work: Callable[..., Step], *args: Any) -> Step | None:
        async with self._one_by_one:
            return await self._app.store(work, self._app.engine, *args)

    def _follow_up(self) -> None:
        """Show what a decision changed now; add it up when the hand rests."""
        self._app.run_worker(self._app.poll(), group="poll", exclusive=True)
        self._settle_later()

    def _settle_later(self) -> None:
        if self._settle_timer is not None:
            self._settle_timer.stop()
        self._settle_timer = self._app.set_timer(SETTLE_AFTER_S, self._settle_beside)

    def _settle_beside(self) -> None:
        # A timer that waited for it would hold up the keys for as long as grading takes.
        self._app.run_worker(self.settle(), group="settle")

    async def settle(self) -> None:
        """Add up what decisions, or a crash, left to be added up."""
        settled = await self._app.ask(settle_now, self._app.engine, self._app.settings)
        if settled is None and self._app.trouble:
            self._settle_later()
        await self._app.poll()
