"""Keys in the order they were typed, each when the one before has done all it does.

Textual hands a key at once to what has the focus, though a key before it, still on its way, may be
about to close that dialogue or to move the focus: it would be typed into a field nobody sees.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any

from textual.app import App
from textual.events import Key
from textual.message_pump import MessagePump
from textual.worker import WorkType

from runlog.tui.main_screen import MainScreen

PATIENCE_S = 1.0  # what takes longer does not hold up the keyboard
LONGER_S = 10.0  # for the rows of new words: a decision on an old row would be worse
ROUNDS = 2  # a key is acted on in the first; what it submits is taken up in the second


class KeyQueue:
    """Hands one key over after another."""

    def __init__(self, app: App[Any], hand_over: Callable[[Key], Awaitable[None]]) -> None:
        self._app, self._hand_over = app, hand_over
        self._waiting: deque[Key] = deque()
        self.at_work = False  # a key was typed whose work is not done

    def take(self, key: Key) -> None:
        """Take a key from the terminal; it waits for its turn."""
        self._waiting.append(key)
        if not self.at_work:
            self.at_work = True
            work: WorkType[None] = self._hand_all_over
            self._app.run_worker(work, group="keys")

    async def _hand_all_over(self) -> None:
        try:
            while self._waiting and self._app.is_running:
                holder = self._app.focused or self._app.screen
                await self._hand_over(self._waiting.popleft())
                await self._acted_on(list(holder.ancestors_with_self))
        finally:
            self.at_work = False

    async def _acted_on(self, nodes: list[MessagePump]) -> None:
        for _ in range(ROUNDS):
            for node in nodes:
                await _reached(node)
        for _ in range(ROUNDS):  # a screen that was opened takes the focus
            await _reached(self._app.screen)
        if isinstance(self._app.screen, MainScreen):
            await _wait_for(self._app.screen.caught_up(), LONGER_S)


async def _reached(node: MessagePump) -> None:
    """Wait until a node has worked off what was sent to it so far."""
    done = asyncio.Event()
    if node.call_later(done.set):
        await _wait_for(done.wait(), PATIENCE_S)


async def _wait_for(thing: Awaitable[object], patience_s: float) -> None:
    with suppress(TimeoutError):
        await asyncio.wait_for(thing, patience_s)
