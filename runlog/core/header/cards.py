"""Look header values up by meaning: cards by keyword, texts and numbers as people write them."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence

from runlog.core.frame import Card
from runlog.core.header.keywords import ALIASES, squeeze

Value = str | int | float | bool

# What programs write where they have nothing to say (common practice, no source).
_BLANK = frozenset(
    {"", "N/A", "NA", "NAN", "NULL", "UNDEFINED", "NOT SET", "NOT AVAILABLE", "-", "--"}
)
_LONGEST_BLANK = max(map(len, _BLANK))
_SILENT = frozenset({"NONE", "UNKNOWN", "UNKNOW", "NO", "?", "DEFAULT", "UNSPECIFIED"})
_TALK = frozenset({"HISTORY", "COMMENT", ""})
_QUOTES = "'\""

_NUMBER = re.compile(
    r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eEdD][+-]?[0-9]+)?)[ ]*(.*)", re.DOTALL
)
_EXPONENT_D = str.maketrans("dD,", "ee.")


def clean(value: Value | None) -> Value | None:
    """Strip padding and enclosing quotes; give None for a value that says nothing."""
    if isinstance(value, str):
        text = value.strip()
        while len(text) > 1 and text[0] in _QUOTES and text[-1] == text[0]:
            text = text[1:-1].strip()
        return None if len(text) <= _LONGEST_BLANK and text.upper() in _BLANK else text
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def text_of(value: Value) -> str:
    """Write a value as text; whole numbers without a decimal point."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def parse_number(value: Value) -> tuple[float, str] | None:
    """Read a number and the unit written behind it ("-10 C", "300s", "1.5D2", "2,5")."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return _finite(value, "")
    match = _NUMBER.match(value)
    if match is None:
        return None
    return _finite(match[1].translate(_EXPONENT_D), match[2].strip())


def _finite(number: str | int | float, unit: str) -> tuple[float, str] | None:
    try:
        value = float(number)
    except (ValueError, OverflowError):
        return None
    return (value, unit) if math.isfinite(value) else None


def comment_unit(comment: str) -> str:
    """Give the unit in brackets at the head of a comment (FITS Standard 4.0, section 4.3.2)."""
    head = comment.lstrip()
    if not head.startswith("["):
        return ""
    return head[1:].partition("]")[0].strip()


def number_and_unit(card: Card) -> tuple[float, str] | None:
    """Read a card's number with its unit, from behind the value or from the comment's brackets."""
    if card.value is None:
        return None
    found = parse_number(card.value)
    if found is None or found[1]:
        return found
    return found[0], comment_unit(card.comment)


class CardIndex:
    """A header's cards by meaning; of repeated keywords the first that says something counts."""

    def __init__(
        self, cards: Sequence[Card], extra_aliases: Mapping[str, tuple[str, ...]] | None = None
    ) -> None:
        known: dict[str, Card] = {}
        self._extra = _squeezed(extra_aliases)
        remarks: list[str] = []
        for card in cards:
            keyword = squeeze(card.keyword)
            if keyword in _TALK:
                remarks.append(str(card.value or ""))
            elif keyword not in known and (value := clean(card.value)) is not None:
                same = value is card.value
                known[keyword] = card if same else Card(card.keyword, value, card.comment)
        self._cards = known
        self.remarks = "\n".join(remarks)

    def get(self, keyword: str) -> Card | None:
        """Give the card of one squeezed keyword."""
        return self._cards.get(keyword)

    def extra(self, name: str) -> tuple[str, ...]:
        """Give the extra keywords the settings add for a value, squeezed."""
        return self._extra.get(name, ())

    def all(self, name: str) -> Iterator[Card]:
        """Give every card that speaks for a value, most trusted first; the settings' own lead."""
        cards = self._cards
        for keyword in self._extra.get(name, ()):
            if keyword in cards:
                yield cards[keyword]
        for keyword in ALIASES.get(name, ()):
            if keyword in cards:
                yield cards[keyword]

    def first(self, name: str) -> Card | None:
        """Give the most trusted card that speaks for a value."""
        return next(self.all(name), None)

    def text(self, name: str) -> str | None:
        """Give the first text that names something."""
        for card in self.all(name):
            if card.value is not None and not isinstance(card.value, bool):
                text = text_of(card.value)
                if text.upper() not in _SILENT:
                    return text
        return None

    def number(self, name: str) -> tuple[float, Card] | None:
        """Give the first number that speaks for a value, with its card."""
        for card in self.all(name):
            found = number_and_unit(card)
            if found is not None:
                return found[0], card
        return None


def _squeezed(aliases: Mapping[str, tuple[str, ...]] | None) -> dict[str, tuple[str, ...]]:
    if not aliases:
        return {}
    return {name: tuple(map(squeeze, words)) for name, words in aliases.items()}
