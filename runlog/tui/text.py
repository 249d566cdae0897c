"""Text from headers and paths made harmless, and small pieces of styled text."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time

from rich.cells import cell_len, set_cell_size
from rich.style import Style
from rich.text import Text

from runlog.core.columns import plural
from runlog.core.times import Zone
from runlog.errors import RunlogError

REPLACEMENT = "�"


def safe(text: object) -> str:
    """Show whatever a header holds as text: no control characters, no half characters."""
    words = str(text).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else REPLACEMENT for c in words)


def fitted(text: str, width: int, right: bool = False) -> str:
    """Cut or pad to a width in cells; a cut shows as …"""
    if cell_len(text) > width:
        text = set_cell_size(text, max(width - 1, 0)) + "…" * (width > 0)
    space = " " * (width - cell_len(text))
    return space + text if right else text + space


def fitted_end(text: str, width: int) -> str:
    """Cut or pad to a width in cells, keeping the end: file names differ there."""
    if cell_len(text) <= width:
        return text + " " * (width - cell_len(text))
    while cell_len(text) > width - 1:
        text = text[1:]
    return fitted(f"…{text}", width)


def fitted_names(names: Sequence[str], most: int) -> list[str]:
    """Pad names to the widest of them, cut where that is more than `most` cells."""
    shown = [safe(name) for name in names]
    width = min(max(map(cell_len, shown), default=0), most)
    return [fitted(name, width) for name in shown]


def styled(color: str = "", *, bold: bool = False, reverse: bool = False) -> Style:
    """Make a style; an empty colour is the terminal's own."""
    return Style(color=color or None, bold=bold or None, reverse=reverse or None)


def piece(text: object, color: str = "", *, bold: bool = False) -> Text:
    """Make a piece of text that is never read as markup; its line breaks stay."""
    words = "\n".join(safe(line) for line in str(text).split("\n"))
    return Text(words, style=styled(color, bold=bold))


def evening(night: str) -> str:
    """Write a night by its evening: Fri 16 Oct 2026."""
    if not night:
        return "no date"
    first = date.fromisoformat(night)
    return f"{first:%a} {first.day} {first:%b %Y}"


def short_evening(night: str) -> str:
    """Write a night in little room: 16 Oct."""
    if not night:
        return "undated"
    first = date.fromisoformat(night)
    return f"{first.day} {first:%b}"


def evening_of(night: str) -> datetime | None:
    """Give about the middle of a night; None for no date."""
    if not night:
        return None
    return datetime.combine(date.fromisoformat(night), time(23), UTC)


def clock(moment: datetime | None, zone: Zone) -> str:
    """Write the time of day with its zone; a dash where it is not known."""
    return zone.at(moment) if moment else "  –  "


def plainly(error: RunlogError) -> str:
    """Write an error in one line: what happened, what to do, and last, for it may be cut, where."""
    cure = f". {error.cure}" if error.cure else ""
    where = f" ({error.where})" if error.where else ""
    return f"{error.what}{cure}{where}".replace("\n", " ")


count = plural  # 1 frame, 2 frames, 1,200 frames
