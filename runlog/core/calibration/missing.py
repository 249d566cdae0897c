"""What has to be taken yet, in words short enough to be read before dawn."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

_NUMBER = re.compile(r"([0-9]+(?:\.[0-9]+)?)")
_ORDER = ("darks", "flats", "flat-darks", "bias")


@dataclass(frozen=True, slots=True)
class Lack:
    """One thing to take yet: head, item and tail are its words; alike ones are said together."""

    head: str
    item: str = ""
    tail: str = ""

    def __str__(self) -> str:
        """Say it."""
        return f"{self.head}{self.item}{self.tail}"


def to_take(lacks: Iterable[Lack]) -> list[str]:
    """List what is missing, each thing once, alike ones on one line, darks first."""
    lines: dict[tuple[str, str], list[str]] = {}
    for lack in lacks:
        items = lines.setdefault((lack.head, lack.tail), [])
        items += [lack.item] if lack.item not in items else []
    ordered = sorted(lines.items(), key=lambda line: _ORDER.index(line[0][0].split()[0]))
    return [f"{head}{', '.join(_sorted(items))}{tail}" for (head, tail), items in ordered]


def _sorted(items: Iterable[str]) -> list[str]:
    """Put names in order, and lengths by their number: 2.4 s before 14 s."""
    return sorted(items, key=lambda item: [_part(part) for part in _NUMBER.split(item)])


def _part(text: str) -> tuple[float, str]:
    return (float(text), "") if _NUMBER.fullmatch(text) else (-1.0, text)
