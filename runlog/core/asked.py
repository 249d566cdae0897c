"""Questions of many frames gathered: each once, with how many ask it and the command for it.

Questions that differ only by numbers are one question with a range.
"""

import re
import shlex
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from runlog.core.corrections import Field

# Where numbers are names ("Slot 3"), a range of them would say what nobody asked.
_NAMES = frozenset({"filter-unknown", "kind-unknown", "kind-conflict", "bayer"})
_NUMBER = re.compile(
    r"(?<![\w.:/\"'-])(?:"
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:T[0-9]{2}(?::[0-9]{2}){1,2}(?:\.[0-9]+)?)?"  # a date
    r"|[+-]?[0-9]{1,3}(?::[0-9]{2}){1,2}(?:\.[0-9]+)?"  # sexagesimal
    r"|[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?"
    r")(?![\w:/\"'-]|\.[0-9])"
)
_COMMAND = "runlog correct"
_SHIFT = "date SHIFT"
# What `runlog correct` is given to settle a question, by the start of its code.
_CURES = (
    ("date-", _SHIFT),
    ("time", _SHIFT),
    ("sun-up", _SHIFT),
    ("end-contradicts", "exposure SECONDS"),
    ("exposure", "exposure SECONDS"),
    ("kind-", "kind KIND"),
    ("filter-", "filter NAME"),
    ("site", 'site "LATITUDE LONGITUDE"'),
    ("pixel-size", 'rig "TELESCOPE + CAMERA"'),
    ("focal-length", 'rig "TELESCOPE + CAMERA"'),
)
_MEANT = {_SHIFT: 'SHIFT as in "1h later", or the evening\'s date'}
NOTHING_TO_DO = "Nothing has to be done: the value was read as said, or left out where it cannot be"
MOST_COMMANDS = 3


class Raised(NamedTuple):
    """A question of one frame, with the run it belongs to."""

    code: str
    text: str
    cure: str = ""
    night: str = ""
    rig: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """One question of some frames."""

    code: str
    text: str
    frames: int
    commands: tuple[str, ...]  # what settles it, ready to be typed; empty where nothing has to be
    own: bool  # the question itself knows the value to set

    @property
    def counted(self) -> str:
        """Give the question with how many frames ask it."""
        return f"{self.text} ({self.frames} frame{'s' * (self.frames != 1)})"


def gather(raised: Iterable[Raised]) -> list[Asked]:
    """Gather questions, the most frequent first; their order does not matter."""
    groups: dict[tuple[str, tuple[str, ...]], dict[Raised, int]] = defaultdict(dict)
    for one, frames in Counter(raised).items():
        groups[one.code, _pattern(one)][one] = frames
    asked = [_asked(list(group), sum(group.values())) for group in groups.values()]
    return sorted(asked, key=lambda a: (-a.frames, a.code, a.text))


def _pattern(one: Raised) -> tuple[str, ...]:
    return (one.text,) if one.code in _NAMES else tuple(_NUMBER.split(one.text))


def _asked(group: Sequence[Raised], frames: int) -> Asked:
    text = group[0].text
    if len({one.text for one in group}) > 1:
        text = _ranged([one.text for one in group])
    commands = tuple(_commands(group))
    return Asked(group[0].code, text, frames, commands, any(one.cure for one in group))


def _ranged(texts: Sequence[str]) -> str:
    """Write texts that differ only by numbers as one, with the least and greatest of each."""
    columns = [_range(set(values)) for values in zip(*map(_NUMBER.findall, texts), strict=True)]
    found = iter(columns)
    return _NUMBER.sub(lambda _: next(found), texts[0])


def _range(values: set[str]) -> str:
    low, high = min(values, key=_size), max(values, key=_size)
    return low if len(values) == 1 else f"{low} to {high}"


def _size(written: str) -> tuple[float, str]:
    """Order numbers by value, dates and clocks by their first part, then as written."""
    parts = re.split(r"(?<=[0-9])[-:T]", written)
    size = 0.0
    for part in reversed(parts):
        size = size / 60 + abs(float(part))
    return (-size if written.startswith("-") else size), written


# --- what settles it --------------------------------------------------------------------------


def _commands(group: Sequence[Raised]) -> list[str]:
    """Give the command that settles a question, for each value and rig it is asked of."""
    chosen: dict[tuple[int, str, str], set[str]] = defaultdict(set)
    for one in group:
        # The likelier cure of a question stands first, and stays there.
        for place, cure in enumerate((one.cure or _usual_cure(one.code)).splitlines()):
            chosen[place, cure, one.rig].add(one.night)
    lines = [_command(cure, rig, nights) for (_, cure, rig), nights in sorted(chosen.items())]
    more = len(lines) - MOST_COMMANDS
    return lines if more <= 0 else [*lines[:MOST_COMMANDS], f"and {more} more like these"]


def _usual_cure(code: str) -> str:
    return next((cure for start, cure in _CURES if code.startswith(start)), "")


def _command(cure: str, rig: str, nights: set[str]) -> str:
    """Write the command for one rig; words in capitals are explained behind it."""
    if cure.split(" ", 1)[0] not in list(Field):
        return cure
    words, meant = [_COMMAND, cure], [_MEANT[cure]] if cure in _MEANT else []
    dated = sorted(nights - {""})
    if len(dated) == 1:
        words.append(f"--night {dated[0]}")
    elif dated and not cure.startswith(Field.SITE):  # a rig's site is one, clocks err by the night
        words.append("--night DATE")
        meant.append(f"DATE from {dated[0]} to {dated[-1]}")
    if rig:
        words.append(f"--rig {shlex.quote(rig)}")
    return " ".join(words) + (f" ({'; '.join(meant)})" if meant else "")
