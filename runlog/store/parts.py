"""Long lists of values, cut into what one question may ask for."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

IN_ONE_QUESTION = 500
MANY_IN_ONE_QUESTION = 5_000  # where each question takes long; SQLite takes 32,766 values

Value = TypeVar("Value")


def in_parts(values: Sequence[Value], most: int = IN_ONE_QUESTION) -> Iterator[list[Value]]:
    """Give so many of them at a time, in order."""
    for start in range(0, len(values), most):
        yield list(values[start : start + most])
