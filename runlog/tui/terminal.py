"""What the terminal can show: cells only, or its own pixels. It is asked once, before painting.

Who wants none (RUNLOG_PICTURES=blocks) has nothing asked. Every terminal answers the last question,
so the wait ends with it; what a person typed meanwhile is handed on.
"""

import os
import re
import select
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum

WISH = "RUNLOG_PICTURES"
PATIENCE_S = 1.0  # a slow link answers in a third of it
# Kitty's question (its graphics protocol, "Querying support"), the size of a cell in pixels
# (XTWINOPS 16) and the primary device attributes (DA1, ECMA-48 and VT220 manual); from memory.
ASK_KITTY = "\x1b_Gi=31,s=1,v=1,a=q,t=d,f=24;AAAA\x1b\\"
ASK_CELL, ASK_ATTRIBUTES = "\x1b[16t", "\x1b[c"
_KITTY = re.compile(r"\x1b_G[^\x1b]*;([^\x1b]*)\x1b\\")
_CELL = re.compile(r"\x1b\[6;(\d+);(\d+)t")
_ATTRIBUTES = re.compile(r"\x1b\[\?([\d;]*)c")
SIXEL_ATTRIBUTE = "4"


class Form(StrEnum):
    """How pictures are drawn."""

    BLOCKS = "blocks"
    SIXEL = "sixel"
    KITTY = "kitty"


@dataclass(frozen=True, slots=True)
class Terminal:
    """What a terminal can do; a cell's size is in pixels."""

    form: Form = Form.BLOCKS
    cell: tuple[int, int] = (0, 0)
    typed: str = ""  # by the person, while the terminal was asked


def questions(environ: Mapping[str, str]) -> str:
    """Choose what to ask; multiplexers take Kitty's question for a title."""
    shared = "TMUX" in environ or environ.get("TERM", "").startswith(("screen", "tmux"))
    return ("" if shared else ASK_KITTY) + ASK_CELL + ASK_ATTRIBUTES


def understood(answer: str, cell: tuple[int, int] | None = None) -> Terminal:
    """Read the answers; without the size of a cell there are only blocks."""
    said = _CELL.search(answer)
    size = (int(said[2]), int(said[1])) if said else cell or (0, 0)
    typed = answer
    for pattern in (_KITTY, _CELL, _ATTRIBUTES):
        typed = pattern.sub("", typed)
    return Terminal(_form(answer) if min(size) > 0 else Form.BLOCKS, size, typed)


def _form(answer: str) -> Form:
    attributes, kitty = _ATTRIBUTES.search(answer), _KITTY.search(answer)
    if attributes and SIXEL_ATTRIBUTE in attributes[1].split(";")[1:]:
        return Form.SIXEL  # first: some that speak both know no placeholders
    return Form.KITTY if kitty and kitty[1] == "OK" else Form.BLOCKS


def complete(answer: str) -> bool:
    """Tell whether the last question is answered."""
    return _ATTRIBUTES.search(answer) is not None


def converse(write: Callable[[str], object], read: Callable[[float], str], asked: str) -> str:
    """Ask, and gather what comes until the last answer or until patience ends."""
    write(asked)
    answer, end = "", time.monotonic() + PATIENCE_S
    while not complete(answer) and (left := end - time.monotonic()) > 0:
        answer += read(left)
    return answer


def ask(environ: Mapping[str, str]) -> Terminal:
    """Ask the terminal, unless blocks are wished for or there is none to ask."""
    if environ.get(WISH, "") == "blocks" or "NO_COLOR" in environ or not _interactive(environ):
        return Terminal()
    try:
        with _unbuffered() as (write, read, cell):
            return understood(converse(write, read, questions(environ)), cell)
    except (ImportError, OSError):  # no POSIX terminal: blocks do everywhere
        return Terminal()


def is_typed_into() -> bool:
    """Tell whether keys come from a terminal that is there; False once it has hung up."""
    try:
        return sys.__stdin__ is not None and sys.__stdin__.isatty()
    except (OSError, ValueError):
        return False


def _interactive(environ: Mapping[str, str]) -> bool:
    both = sys.__stdin__ is not None and sys.__stderr__ is not None
    named = environ.get("TERM", "dumb") not in ("dumb", "linux", "")
    return named and both and all(s.isatty() for s in (sys.__stdin__, sys.__stderr__) if s)


@contextmanager
def _unbuffered() -> Iterator[
    tuple[Callable[[str], object], Callable[[float], str], tuple[int, int] | None]
]:
    """Read key by key, without echo; afterwards the terminal is as before."""
    import termios
    import tty

    inward, outward = sys.__stdin__.fileno(), sys.__stderr__.fileno()  # type: ignore[union-attr]
    before = termios.tcgetattr(inward)
    tty.setcbreak(inward, termios.TCSANOW)

    def read(timeout_s: float) -> str:
        ready, _, _ = select.select([inward], [], [], timeout_s)
        return os.read(inward, 4096).decode("utf-8", "replace") if ready else ""

    try:
        yield lambda text: os.write(outward, text.encode()), read, _cell_size(outward)
    finally:
        termios.tcsetattr(inward, termios.TCSANOW, before)


def _cell_size(outward: int) -> tuple[int, int] | None:
    """Ask the kernel for the size of a cell; SSH hands it on, where the terminal tells it."""
    import fcntl
    import struct
    import termios

    packed = fcntl.ioctl(outward, termios.TIOCGWINSZ, b"\0" * 8)
    rows, columns, wide, high = struct.unpack("HHHH", packed)
    return (wide // columns, high // rows) if rows and columns and wide and high else None
