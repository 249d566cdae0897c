"""Hours by grade in a table: no silent zeros, and ungraded time where there is any."""

from collections.abc import Sequence
from typing import Any

from runlog.cli.common import Rows, talk

BY_GRADE = ("logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s")
SILENT = (
    "–: no light frame there tells how long it was exposed. To say it: "
    "runlog correct exposure SECONDS"
)


def with_ungraded(keys: Sequence[str], rows: Rows) -> list[str]:
    """Add the column of ungraded time behind the rejected, where there is any."""
    if not any(row["ungraded_s"] for row in rows):
        return list(keys)
    after = list(keys).index("rejected_s") + 1
    return [*keys[:after], "ungraded_s", *keys[after:]]


def spoken(rows: Rows) -> list[dict[str, Any]]:
    """Leave out the hours of frames that tell no length: they are not nothing, they are unknown."""
    return [
        dict(row) | {key: None for key in BY_GRADE if key in row} if is_silent(row) else dict(row)
        for row in rows
    ]


def is_silent(row: Any) -> bool:
    """Tell whether none of a row's frames tells its length."""
    return bool(row["frames"]) and not row["logged_s"]


def say_silent(rows: Rows) -> None:
    """Say what a dash in place of hours means."""
    if any(map(is_silent, rows)):
        talk(SILENT)
