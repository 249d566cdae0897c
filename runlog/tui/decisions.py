"""Decisions of this sitting: stored in turn, taken back, made again; goals and notes as well."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Union

from runlog.actions import judge as judging
from runlog.actions.judge import Step
from runlog.config import Settings
from runlog.errors import RunlogError
from runlog.tui.text import count, plainly

if TYPE_CHECKING:  # the rules of the totals are imported when a goal is set, not before the paint
    from runlog.actions.notes import NoteStep
    from runlog.actions.standing import GoalStep, Standing

Made = Union[Step, "GoalStep", "NoteStep"]
Store = Callable[..., Awaitable[Any]]  # None when it was not stored, which is said
Try = Callable[..., Awaitable[tuple[Any, RunlogError | None]]]
UNDOES = " (u undoes)"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a decision: words for it, and which frames have their old grade again."""

    words: str
    stored: bool = True
    taken_back: tuple[int, ...] = ()


class Decisions:
    """What was decided since the interface was opened."""

    def __init__(self, store: Store, attempt: Try, who: str) -> None:
        self._store, self._try, self._who = store, attempt, who
        self._done: list[Made] = []
        self._undone: list[Made] = []
        self._one_by_one = asyncio.Lock()  # marks are stored in the order of the keys
        self._waiting: Counter[int] = Counter()

    @property
    def pending(self) -> frozenset[int]:
        """The frames whose new grade is not stored yet."""
        return frozenset(self._waiting)

    async def grade(self, ids: Sequence[int], grade: str) -> Outcome | None:
        """Store a decision."""
        self._waiting.update(ids)
        try:
            step = await self._write(judging.judge, list(ids), grade, self._who)
        finally:
            self._waiting -= Counter(ids)
        return self._made(step, "")

    async def annotate(self, ids: Sequence[int], note: str) -> Outcome | None:
        """Store a note; an empty one takes it away."""
        step = await self._write(judging.annotate, list(ids), note.strip() or None, self._who)
        return self._made(step, "Note on " if step is None or not step.noted else "")

    async def set_goal(
        self, settings: Settings, at: "Standing", typed: str, owner: str | None = None
    ) -> tuple[Outcome | None, str]:
        """Set a goal as typed, everybody's or a login's own; else say what is wrong with it."""
        from runlog.actions.standing import change_goal

        async with self._one_by_one:
            step, error = await self._try(change_goal, settings, at, typed, self._who, owner)
        if error is not None:
            return None, plainly(error)
        self._remember(step)
        return Outcome(step.words + UNDOES), ""

    async def note_rig(
        self, settings: Settings, rig: str, night: str, text: str, changed: bool
    ) -> Outcome | None:
        """Store what was changed on a rig, or a remark."""
        from runlog.actions.notes import note_rig

        wanted = settings, rig, night, text, self._who, changed
        step = await self._write(note_rig, *wanted)
        if step is None:
            return None
        self._remember(step)
        return Outcome(f"{step.words}{UNDOES}")

    async def undo(self) -> Outcome | None:
        """Take the last decision back."""
        return await self._walk(self._done, self._undone, "Taken back", "Nothing to take back")

    async def redo(self) -> Outcome | None:
        """Make the last one taken back again."""
        return await self._walk(self._undone, self._done, "Made again", "Nothing to make again")

    def _made(self, step: Step | None, words: str) -> Outcome | None:
        if step is None:
            return None
        self._remember(step)
        return Outcome(f"{words}{change_words(step)}{UNDOES}")

    def _remember(self, step: Made) -> None:
        self._done.append(step)
        self._undone.clear()

    async def _walk(
        self, steps: list[Made], others: list[Made], word: str, none: str
    ) -> Outcome | None:
        async with self._one_by_one:  # what is still being stored is the last one, and comes first
            if not steps:
                return Outcome(none, stored=False)
            step = steps.pop()
            back = await self._store(_undoing(step), step, self._who)
        if back is None:
            steps.append(step)
            return None
        if not isinstance(back, Step):
            if back.done:
                others.append(back)
            return Outcome(f"{word}: {back.words}")
        others.append(back)
        left = (step.frames if isinstance(step, Step) else 0) - back.frames
        by = f"; {count(left, 'frame')} since marked by {', '.join(back.passed_over)} left alone"
        words = f"{word}: {count(back.frames, 'frame')}{by if left else ''}"
        return Outcome(words, taken_back=tuple(back.made))

    async def _write(self, work: Callable[..., Made], *args: Any) -> Any:
        async with self._one_by_one:
            return await self._store(work, *args)


def _undoing(step: Made) -> Callable[..., Made]:
    if isinstance(step, Step):
        return judging.take_back
    from runlog.actions.notes import NoteStep, undo_note

    if isinstance(step, NoteStep):
        return undo_note
    from runlog.actions.standing import put_goal_back

    return put_goal_back


def change_words(step: Step) -> str:
    """Say what grades were before and are now: `3 frames: 2 keep, 1 doubtful → reject *`."""
    if step.noted == step.frames:
        return f"a note on {count(step.frames, 'frame')} of a rig that others keep"
    was, now = (_grades(shown) for shown in (step.shown_before, step.shown_after))
    noted = f", {step.noted:,} of them only noted: others keep the rig" if step.noted else ""
    return f"{count(step.frames, 'frame')}: {was} → {now}{noted}"


def _grades(shown: Any) -> str:
    counted = Counter(shown.values())
    if len(counted) == 1:
        return str(next(iter(counted)))
    return ", ".join(f"{number:,} {grade}" for grade, number in sorted(counted.items()))
