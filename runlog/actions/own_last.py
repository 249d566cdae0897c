"""Which line of a book is taken back where none is named: on a server the last of one's own."""

from collections import Counter
from collections.abc import Sequence
from typing import Protocol, TypeVar

from runlog.errors import UsageError


class Line(Protocol):
    """A line of a book that is appended to and never changed."""

    @property
    def who(self) -> str: ...
    @property
    def undoes(self) -> int | None: ...
    @property
    def stands(self) -> bool: ...


L = TypeVar("L", bound=Line)


def own_last(book: Sequence[L], me: str | None, what: str, listed: str, undo: str) -> L:
    """Find the last line in force; of several people's the last of whoever is at work.

    `what` is its word, `listed` and `undo` the commands that list all and take one back.

    Raises
    ------
    UsageError
        When nothing is in force, or nothing of one's own.
    """
    standing = [line for line in book if line.stands and line.undoes is None]
    if not standing:
        raise UsageError(f"There is no {what} to undo", cure=f"See: {listed}")
    own = [line for line in standing if me in (None, line.who)]
    if not own:
        left = ", ".join(f"{n} of {who}" for who, n in Counter(c.who for c in standing).items())
        raise UsageError(
            f"There is no {what} of yours to undo; nothing was changed",
            cure=f"In force: {left}. One of them by its number ({listed}): {undo} NO",
        )
    return own[-1]
