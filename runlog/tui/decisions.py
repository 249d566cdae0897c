"""Decisions of this sitting: stored one after another, taken back, made again."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from runlog.actions import judge as judging
from runlog.actions.judge import Step
from runlog.tui.text import count

Store = Callable[..., Awaitable[Step | None]]  # None when it was not stored, which is said


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a decision: words for it, and which frames have their old grade again."""

    words: str
    stored: bool = True
    taken_back: tuple[int, ...] = ()


class Decisions:
    """What was decided since the interface was opened."""

    def __init__(self, store: Store, who: str) -> None:
        self._store, self._who = store, who
        self._done: list[Step] = []
        self._undone: list[Step] = []
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
        became = "given back to the automatic grade" if grade == "auto" else f"marked {grade}"
        return self._made(step, f"{{}} {became}")

    async def annotate(self, ids: Sequence[int], note: str) -> Outcome | None:
        """Store a note; an empty one takes it away."""
        step = await self._write(judging.annotate, list(ids), note.strip() or None, self._who)
        return self._made(step, "Note on {}")

    async def undo(self) -> Outcome | None:
        """Take the last decision back."""
        return await self._walk(self._done, self._undone, "Taken back", "Nothing to take back")

    async def redo(self) -> Outcome | None:
        """Make the last one taken back again."""
        return await self._walk(self._undone, self._done, "Made again", "Nothing to make again")

    def _made(self, step: Step | None, words: str) -> Outcome | None:
        if step is None:
            return None
        self._done.append(step)
        self._undone.clear()
        return Outcome(words.format(count(step.frames, "frame")) + " (u undoes)")

    async def _walk(
        self, steps: list[Step], others: list[Step], word: str, none: str
    ) -> Outcome | None:
        if not steps:
            return Outcome(none, stored=False)
        step = steps.pop()
        back = await self._write(judging.take_back, step, self._who)
        if back is None:
            steps.append(step)
            return None
        others.append(back)
        left = step.frames - back.frames
        by = f"; {count(left, 'frame')} since marked by {', '.join(back.passed_over)} left alone"
        words = f"{word}: {count(back.frames, 'frame')}{by if left else ''}"
        return Outcome(words, taken_back=tuple(back.made))

    async def _write(self, work: Callable[..., Step], *args: Any) -> Step | None:
        async with self._one_by_one:
            return await self._store(work, *args)
