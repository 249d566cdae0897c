"""Ctrl-C: where it may strike, and what was done by then, so that the last words are true.

Every transaction is written whole or not at all, whenever a command ends. What is left is to know
which of it came before Ctrl-C: a command that is stopped says so, and how to go on.
"""

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType
from typing import NoReturn

INTERRUPTED = 130  # what the shell is told, as after any Ctrl-C
NOTHING = "stopped; nothing was changed. To have it done, run the command again"
HALF_WAY = (
    "stopped half way; what was stored until then is whole, and nothing is lost. "
    "Run the command again: it goes on from there"
)
FOLLOWS = "what follows from it comes with the next command"


@dataclass(slots=True)
class _State:
    """What is known of the command that runs."""

    at_work: bool = False  # something is open that should be left in order
    held: int = 0
    waiting: bool = False
    changed: bool = False
    done: list[str] = field(default_factory=list)  # in words, of what a person asked for
    rest: str = FOLLOWS


_state = _State()


def listen() -> None:
    """Hear Ctrl-C from now on; only where a process of ours begins."""
    begin()
    signal.signal(signal.SIGINT, _heard)
    sys.unraisablehook = _unraisable


def over() -> None:
    """Hear Ctrl-C no more: what was asked for is done, or the last words are being said."""
    if signal.getsignal(signal.SIGINT) == _heard:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def at_work() -> None:
    """Let Ctrl-C unwind from now on what is open, where it would else end the process at once."""
    _state.at_work = True


@contextmanager
def undisturbed() -> Iterator[None]:
    """Let Ctrl-C wait until the block ends: for a step and the note that it was done."""
    _state.held += 1
    try:
        yield
    finally:
        _state.held -= 1
    if _state.waiting and not _state.held:
        _state.waiting = False
        raise KeyboardInterrupt


@contextmanager
def by_default() -> Iterator[None]:
    """Let Ctrl-C be Python's own: an event loop then ends its tasks, and its screen is left."""
    before = signal.getsignal(signal.SIGINT)
    if before == _heard:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        if before == _heard:
            signal.signal(signal.SIGINT, before)


def stored(what: str = "", rest: str = FOLLOWS) -> None:
    """Note that something is done for good; `what` names it where a person asked for it."""
    _state.changed = True
    if what:
        _state.done.append(what)
        _state.rest = rest


def done_before() -> str:
    """Say what a person asked for and was done, where a command failed after that."""
    return f"Before that: {'; '.join(_state.done)}" if _state.done else ""


def last_words() -> str:
    """Say what a command that is stopped leaves, and how to go on."""
    if _state.done:
        return f"stopped, with this already done: {'; '.join(_state.done)}; {_state.rest}"
    return HALF_WAY if _state.changed else NOTHING


def begin() -> None:
    """Know nothing yet of what the command does that now begins."""
    global _state
    _state = _State()


def _heard(_signal: int, _frame: FrameType | None) -> None:
    if not _state.at_work:
        _end()  # an interrupt that is raised among imports may get lost, or be shown as a failure
    if not _state.held:
        raise KeyboardInterrupt
    _state.waiting = True


def _unraisable(lost: "sys.UnraisableHookArgs") -> None:
    """End where Ctrl-C struck code that cannot pass it on, as when objects are cleared away."""
    if isinstance(lost.exc_value, KeyboardInterrupt):
        _end()
    sys.__unraisablehook__(lost)


def _end() -> NoReturn:
    os.write(2, f"runlog: {last_words()}\n".encode())
    os._exit(INTERRUPTED)
