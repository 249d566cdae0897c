"""What a header says about the length of the exposure.

Everything here is common practice, no source.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.header.questions import Doubts

_SECONDS = {
    "": 1.0, "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisec": 1e-3, "milliseconds": 1e-3, "millisecond": 1e-3,
    "us": 1e-6, "µs": 1e-6, "usec": 1e-6, "microsec": 1e-6, "microseconds": 1e-6,
    "microsecond": 1e-6,
    "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0,
}  # fmt: skip
_UNIT = "|".join(filter(None, _SECONDS))
# A unit said as one: behind "in" ("in h" may be a filter), alone in brackets, or alone; else only
# as a word that can be nothing else ("min" may be a minimum), and not as the length of something
# ("5 minutes after").
_UNIT_SAID = re.compile(
    rf"\b(?:in|units?:?) (?!h\b|mins?\b *[^ ,;)\]])(?P<a>{_UNIT})\b"
    rf"|[\[(] *(?P<b>{_UNIT})\.? *[\])]|^ *(?P<c>{_UNIT})\.? *$"
    r"|\b(?P<d>millisec(?:onds?)?|msec|microsec(?:onds?)?|usec)\b"
    r"|(?<![\d.])(?<!\d[ -])(?<!few )(?<!every )\b(?P<e>seconds|minutes|hours)\b"
    r"(?! *(?:after|before|since|past|ago|from|later|bins?)\b)"
)
_FRACTION = re.compile(r"([0-9]+)\s*/\s*([0-9]+)\s*s?\Z")
_LONGEST_S = 86_400.0
_REQUESTED = "EXPREQ"
# Two cards of one exposure this many times apart are in other units, not other lengths.
_UNIT_RATIOS = (1e3, 1e6)
_SHORTEST_SUM_S = 30.0
_MOST_SUMMED = 999.5  # a thousand times is another unit


class Exposure(NamedTuple):
    """Open-shutter time; where a header gives a sum and a single length, how many were summed."""

    seconds: float | None = None
    sum_of: int | None = None


def read_exposure(index: CardIndex, doubts: Doubts) -> Exposure:
    """Give the exposure in seconds; zero is given as zero, for a bias frame may have it."""
    every = list(_lengths(index))
    telling = [length for length in every if _says_something(length)]
    first = (length for length in (*telling, *every) if _believable_length(*length, doubts))
    found = next(first, None)
    if found is None:
        return Exposure()
    seconds, card = found
    total = next(((s, c) for c in index.all("total_exposure") if (s := _length_s(c, 1.0))), None)
    sum_of = _sum_of(total[0], seconds) if total else None
    behind = telling[telling.index(found) + 1 :] if found in telling else []
    for other_s, other in behind:
        if abs(seconds - other_s) > _slack_s(seconds):
            return _settle(Exposure(seconds, sum_of), card, other_s, other, doubts)
    return Exposure(seconds, sum_of)


def _says_something(length: tuple[float, Card]) -> bool:
    """Tell a length from a zero nobody filled in and from one that was only asked for."""
    return length[0] != 0 and length[1].keyword.upper() != _REQUESTED


def _slack_s(seconds: float) -> float:
    return max(0.1, 0.01 * seconds)


def _settle(taken: Exposure, card: Card, other_s: float, other: Card, doubts: Doubts) -> Exposure:
    """Tell why two cards give different lengths: other units, a sum, or nobody knows."""
    seconds = taken.seconds or 0.0
    if any(_times(other_s, seconds, ratio) for ratio in _UNIT_RATIOS):
        return taken  # the same length in smaller units
    text = f"{card.keyword} says {seconds:g} s, {other.keyword} {other_s:g} s"
    if any(_times(seconds, other_s, ratio) for ratio in _UNIT_RATIOS):
        doubts.ask("exposure-disagrees", f"{text}: the first must be in smaller units")
        return Exposure(other_s, taken.sum_of)
    sum_of = taken.sum_of or _sum_of(seconds, other_s)
    if sum_of is None:
        doubts.ask("exposure-disagrees", text)
    return Exposure(seconds, sum_of)


def _times(larger_s: float, smaller_s: float, ratio: float) -> bool:
    return smaller_s > 0 and abs(larger_s / smaller_s / ratio - 1) < 0.01


def _sum_of(total_s: float, single_s: float) -> int | None:
    """Tell how many single exposures a total is the sum of; None where it is not one."""
    if single_s <= 0 or total_s < _SHORTEST_SUM_S:
        return None
    ratio = total_s / single_s
    if not 1.5 < ratio < _MOST_SUMMED:
        return None
    times = round(ratio)
    # 60 is as likely minutes against seconds.
    return times if times != 60 and _times(total_s, single_s, times) else None


def _lengths(index: CardIndex) -> Iterator[tuple[float, Card]]:
    for name, scale in (("exposure", 1.0), ("exposure_ms", 1e-3), ("exposure_us", 1e-6)):
        for card in index.all(name):
            seconds = _length_s(card, scale)
            if seconds is not None:
                yield seconds, card


def _length_s(card: Card, scale: float) -> float | None:
    fraction = _FRACTION.match(card.value) if isinstance(card.value, str) else None
    if fraction:
        return int(fraction[1]) / int(fraction[2]) if int(fraction[2]) else None
    found = number_and_unit(card)
    if found is None:
        return None
    value, unit = found
    if scale != 1.0:
        return value * scale
    factor = _SECONDS.get(unit.lower()) if unit else None
    return value * (factor or _seconds_said(card.comment))


def _seconds_said(comment: str) -> float:
    """Give the seconds in the one unit a comment names; 1 where it names none or several."""
    found = _UNIT_SAID.finditer(comment.lower()) if comment else ()
    said = {_SECONDS[next(filter(None, match.groups()))] for match in found}
    return said.pop() if len(said) == 1 else 1.0


def _believable_length(seconds: float, card: Card, doubts: Doubts) -> bool:
    if 0 <= seconds <= _LONGEST_S:
        return True
    doubts.ask("exposure", f"{card.keyword} {card.value} is no exposure time")
    return False
