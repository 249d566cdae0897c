"""Questions of many frames gathered: each once, with how many ask it and the command for it.

Questions that differ only by numbers are one question with a range.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from runlog.core.corrections.correction import Field
from runlog.core.corrections.selecting import NAMED_AT_ONCE, Choice, Everyone, Sight

# Where numbers are names ("Slot 3"), a range of them would say what nobody asked.
_NAMES = frozenset({"filter-unknown", "kind-unknown", "kind-conflict", "bayer", "site"})
_ONE_NUMBER = (
    r"(?<![\w.:/\"'-])(?:"
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:T[0-9]{2}(?::[0-9]{2}){1,2}(?:\.[0-9]+)?)?"  # a date
    r"|[+-]?[0-9]{1,3}(?::[0-9]{2}){1,2}(?:\.[0-9]+)?"  # sexagesimal
    r"|[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?"
    r")(?![\w:/\"'-]|\.[0-9])"
)
_DATES = re.compile(r"\bthe date (?=[0-9]{4}-[0-9]{2}-[0-9]{2}\S* to )")
_NUMBER = re.compile(f"{_ONE_NUMBER}(?: to {_ONE_NUMBER})?")  # a span is one thing
_SITE = re.compile(r"\bsite \"(-?[0-9.]+(?:e-?[0-9]+)?) (-?[0-9.]+(?:e-?[0-9]+)?)")
_OF_RUN = "sun-up"  # asked by a clock or place that all frames of the night share
_COMMAND = "runlog correct"
_SHIFT, _START, _EVENING = "date SHIFT", "date START", "date EVENING"
# What `runlog correct` is given to settle a question, by the start of its code.
_CURES = (
    ("date-", _SHIFT),
    ("time", _SHIFT),
    ("sun-up", _SHIFT),
    ("end-contradicts", "exposure SECONDS"),
    ("exposure", "exposure SECONDS"),
    ("overlap", "exposure SECONDS"),
    ("kind-", "kind KIND"),
    ("filter-", "filter NAME"),
    ("site", 'site "LATITUDE LONGITUDE"'),
    ("pixel-size", 'rig "TELESCOPE + CAMERA"'),
    ("focal-length", 'rig "TELESCOPE + CAMERA"'),
)
_MEANT = {
    _SHIFT: 'SHIFT as in "1h later", "0h later" where it is right, or the evening\'s date',
    _START: 'START in UTC as in "2026-10-09T21:30:00", or the evening\'s date',
    _EVENING: "EVENING: its date, as in 2026-10-09",
}
_WIDE = (Field.SITE, Field.RIG)  # one through all nights, where clocks err by the night
MOST_COMMANDS = 3
MOST_NIGHTS = 3  # named in one command
_READ = re.compile(r"taken as|believed|reckoned as|file name says| is in (?:hours|degrees), as ")


class Raised(NamedTuple):
    """A question of one frame."""

    code: str
    text: str
    cure: str
    sight: Sight


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

    @property
    def cured(self) -> str:
        """Say what settles it, else what was done about it already."""
        taken = "read as said" if _READ.search(self.text) else "left out"
        return "\n".join(self.commands) or f"Nothing has to be done: the value was {taken}"


def gather(raised: Iterable[Raised], everyone: Everyone | None = None) -> list[Asked]:
    """Gather questions, the most frequent first; their order does not matter.

    `everyone` are all stored frames: a command is printed only where it means none beside those
    that ask. Without them those that ask anything are all there are.
    """
    groups: dict[tuple[str, ...], list[Raised]] = defaultdict(list)
    every = sorted(raised)
    for one in every:
        groups[(one.code, _site_key(one.cure), *_pattern(one.code, one.text))].append(one)
    stored = Everyone({one.sight for one in every}) if everyone is None else everyone
    asked = [_asked(group, stored) for group in groups.values()]
    return sorted(asked, key=lambda a: (-a.frames, a.code, a.text))


@cache
def _pattern(code: str, text: str) -> tuple[str, ...]:
    return (text,) if code in _NAMES else tuple(_NUMBER.split(text))


@cache
def _site_key(cure: str) -> str:
    """Name the place a cure sets, to a tenth of a degree: two places are no range of one."""
    found = _SITE.search(cure)
    return "" if found is None else " ".join(f"{round(float(n), 1):g}" for n in found.groups())


def _asked(group: Sequence[Raised], stored: Everyone) -> Asked:
    texts = sorted({one.text for one in group})
    text = texts[0] if len(texts) == 1 else _ranged(texts)
    commands = tuple(_commands(group, stored))
    return Asked(group[0].code, text, len(group), commands, any(one.cure for one in group))


def _ranged(texts: Sequence[str]) -> str:
    """Write texts that differ only by numbers as one, with the least and greatest of each."""
    found = [[m[0] for m in _NUMBER.finditer(text)] for text in texts]
    columns = iter([_range(set(values)) for values in zip(*found, strict=True)])
    return _DATES.sub("dates from ", _NUMBER.sub(lambda _: next(columns), texts[0]))


def _range(values: set[str]) -> str:
    """Give the span of numbers, some of which may be spans themselves."""
    if len(values) == 1:
        return values.pop()
    ends = [end for value in values for end in value.split(" to ")]
    low, high = min(ends, key=_size), max(ends, key=_size)
    return low if low == high else f"{low} to {high}"


def _size(written: str) -> tuple[float, str]:
    """Order numbers by value, dates and clocks by their first part, then as written."""
    parts = re.split(r"(?<=[0-9])[-:T]", written)
    size = 0.0
    for part in reversed(parts):
        size = size / 60 + abs(float(part))
    return (-size if written.startswith("-") else size), written


# --- what settles it --------------------------------------------------------------------------


def _commands(group: Sequence[Raised], stored: Everyone) -> list[str]:
    """Give the commands that settle a question for the frames that ask it, and no others."""
    chosen: dict[tuple[int, str], list[Sight]] = defaultdict(list)
    for one in group:
        # The likelier cure of a question stands first, and stays there.
        for place, cure in enumerate((one.cure or _usual_cure(one)).splitlines()):
            chosen[place, cure].append(one.sight)
    lines: list[str] = []
    more = 0
    for (_, cure), sights in sorted(_one_site(chosen).items()):
        if cure.split(" ", 1)[0] not in list(Field):
            lines.append(cure)
            continue
        if group[0].code == _OF_RUN:
            sights = stored.of_nights(sights)
        found, left = _typed(cure, sights, stored)
        lines += found
        more += left
    return _few(lines, more)


def _usual_cure(one: Raised) -> str:
    cure = next((cure for start, cure in _CURES if one.code.startswith(start)), "")
    return _START if cure == _SHIFT and not one.sight.timed else cure  # nothing to shift


def _one_site(chosen: dict[tuple[int, str], list[Sight]]) -> dict[tuple[int, str], list[Sight]]:
    """Set one place for all that ask about it, the most frequent: a receiver's last digits vary."""
    found: dict[tuple[int, str], list[Sight]] = {}
    sites: dict[tuple[int, str], list[tuple[int, str]]] = defaultdict(list)
    for place, cure in chosen:
        sites[place, _site_key(cure) or cure].append((place, cure))
    for alike in sites.values():
        usual = min(alike, key=lambda key: (-len(chosen[key]), key))
        found[usual] = [sight for key in alike for sight in chosen[key]]
    return found


def settling(cure: str, sights: Sequence[Sight], stored: Everyone) -> list[str]:
    """Give the commands that set one thing for some frames and no others, a few of them."""
    return _few(*_typed(cure, sights, stored))


def _few(lines: list[str], more: int) -> list[str]:
    more += max(len(lines) - MOST_COMMANDS, 0)
    return lines[:MOST_COMMANDS] + [f"and {more} more like these"] * (more > 0)


def _typed(cure: str, sights: Sequence[Sight], stored: Everyone) -> tuple[list[str], int]:
    """Write the commands for one cure, and how many more there would be."""
    found, left = stored.covered(sights, wide=cure.split(" ", 1)[0] in _WIDE)
    by_rest: dict[Choice, list[Choice]] = defaultdict(list)
    for selection in found:
        by_rest[selection.without_night()].append(selection)
    lines = [_command(cure, alike) for alike in by_rest.values()]
    while left and len(lines) < MOST_COMMANDS and (named := stored.named(left[:NAMED_AT_ONCE])):
        lines.append(_command(cure, [named]))
        left = left[NAMED_AT_ONCE:]
    if left and not lines:  # names that cannot be typed
        return [f"{_COMMAND} {cure} KEY (KEY: the start of a frame's key, see runlog frames)"], 0
    return lines, -(-len(left) // NAMED_AT_ONCE)


def _command(cure: str, alike: Sequence[Choice]) -> str:
    """Write one command for selections that differ by the night; capitals are explained."""
    if cure == _START and sum(s.frames for s in alike) > 1:
        cure = _EVENING
    meant = [_MEANT[cure]] if cure in _MEANT else []
    nights = sorted(s.night for s in alike)
    typed = alike[0].typed("DATE" if len(nights) > 1 else "")
    if len(nights) > 1:
        meant.append(f"DATE: {_listed(nights)}")
    words = f"{_COMMAND} {cure} {typed}"
    return words + (f" ({'; '.join(meant)})" if meant else "")


def _listed(nights: Sequence[str]) -> str:
    if len(nights) <= MOST_NIGHTS:
        return ", ".join(nights)
    return f"one of the {len(nights)} nights from {nights[0]} to {nights[-1]} that ask this"
