"""The table that goes with a finished picture: filters, frames x exposure, total."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum

from runlog.core.columns import exposure, hours, plural

# The order in which a picture is told: broad bands first (common practice, no source).
_ORDER = ("L", "Clear", "R", "G", "B", "OSC", "Ha", "Hb", "OIII", "SII", "NII")


@dataclass(frozen=True, slots=True)
class Batch:
    """Kept frames of one target, filter and exposure time."""

    target: str
    filter: str
    exposure_s: float | None
    frames: int
    first_night: str | None = None
    last_night: str | None = None

    @property
    def seconds(self) -> float:
        """Exposure time of them all."""
        return self.frames * (self.exposure_s or 0.0)


def batch_words(batch: Batch) -> str:
    """Write frames x exposure: 71 x 300 s, 40 x 90 s."""
    length = batch.exposure_s
    if length is None:
        return f"{batch.frames} x unknown"
    return f"{batch.frames} x {exposure(length)}"


def filter_order(name: str) -> tuple[int, str]:
    """Sort filters as captions list them; bandwidths stay beside their line."""
    base = name.split(" ")[0]
    return (_ORDER.index(base) if base in _ORDER else len(_ORDER), name)


def lines_of(batches: Sequence[Batch]) -> list[tuple[str, str, str]]:
    """Give (filter, frames x exposure, total) of one target, and the sum of all last."""
    names = sorted({b.filter for b in batches}, key=filter_order)
    lines = []
    for name in names:
        own = [b for b in batches if b.filter == name]
        lines.append((name, " + ".join(map(batch_words, own)), hours(_sum(own))))
    frames = sum(b.frames for b in batches)
    return [*lines, ("Total", plural(frames, "frame"), hours(_sum(batches)))]


def _sum(batches: Sequence[Batch]) -> float:
    return fsum(b.seconds for b in batches)


HEADING = ("Filter", "Frames", "Total")


def as_text(target: str, batches: Sequence[Batch]) -> str:
    """Write the table as plain text."""
    rows = [HEADING, *lines_of(batches)]
    widths = [max(len(row[i]) for row in rows) for i in range(2)]
    lines = [f"{row[0]:<{widths[0]}}  {row[1]:<{widths[1]}}  {row[2]:>11}".rstrip() for row in rows]
    return "\n".join([target, *nights_line(batches), *lines])


def as_markdown(target: str, batches: Sequence[Batch]) -> str:
    """Write the table as Markdown."""
    *lines, total = lines_of(batches)
    rows = [HEADING, ("---", "---", "---:"), *lines, tuple(f"**{cell}**" for cell in total)]
    body = ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
    return "\n".join([f"### {_cell(target)}", "", *(f"{n}\n" for n in nights_line(batches)), *body])


def _cell(text: str) -> str:
    """Keep a name from breaking the table."""
    return text.replace("\\", "\\\\").replace("|", "\\|")


def nights_line(batches: Sequence[Batch]) -> list[str]:
    """Say when it was taken; nothing when no frame is dated."""
    first = min((b.first_night for b in batches if b.first_night), default=None)
    last = max((b.last_night for b in batches if b.last_night), default=None)
    if first is None or last is None:
        return []
    return [f"{first}" if first == last else f"{first} to {last}"]
