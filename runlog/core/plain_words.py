"""The plain words of a filter line: `reject`, `not cloud`, `wider than 3`, `"M 33" Ha`."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from runlog.core.comparisons import (
    COMPARED,
    COUNTED,
    MEASURE_WORDS,
    OPERATORS,
    TURNED,
    WORD,
    amount,
    factor,
)
from runlog.core.escape import unescaped
from runlog.core.frame import FaultName, Grade
from runlog.core.selection import Term

GRADE_WORDS = {g.value: g.value for g in Grade} | {
    "kept": "keep",
    "rejected": "reject",
    "rejects": "reject",
}
FAULT_WORDS = {f.value: f.value for f in FaultName} | {
    "clouds": "cloud",
    "cloudy": "cloud",
    "trails": "trailed",
    "trail": "trailed",
    "streaks": "streak",
    "satellite": "streak",
    "moon": "bright-sky",
}
NONE = "none"  # in quotes: frames without a filter
SHORTEST_START = 3  # "rej" is taken for reject, "re" for part of a name
# "from 22:10 to 23:05", "after 22:10", "before 23:05": the time of day by the clock that is shown,
# or in UTC where "utc" follows.
SINCE, UNTIL = ("from", "after", "since"), ("to", "until", "before")
HALF_DAY_S, DAY_S = 43_200, 86_400
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?$")
_BEGUN_CLOCK = re.compile(r"([01]?\d|2[0-3])(:[0-5]?(\d(:[0-5]?\d?)?)?)?$")
_DATE = re.compile(r"\d{4}-\d\d-\d\d$")
LABELS = ("filter", "target", "grade", "fault", "night")  # "filter = Ha" says what Ha is


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The names there are, by their small letters, and how other spellings of them are folded."""

    filters: Mapping[str, str] = field(default_factory=dict)
    targets: Mapping[str, str] = field(default_factory=dict)
    fold_filter: Callable[[str], str | None] = lambda word: None
    fold_target: Callable[[str], str | None] = lambda word: None  # None: no target by any rule
    no_filter: str = ""  # what frames without a filter are listed under
    last_night: str = ""  # the evening of the newest night there is

    def filter_of(self, word: str) -> str | None:
        """Give the filter of a name in any spelling."""
        folded = self.fold_filter(word) or ""
        return self.filters.get(word) or self.filters.get(folded.lower())

    def target_of(self, name: str) -> str | None:
        """Give the target of a name in any spelling."""
        folded = self.fold_target(name) or ""
        return self.targets.get(name) or self.targets.get(folded.lower())


@dataclass(frozen=True, slots=True)
class Asked:
    """What the words typed so far mean; `waiting` says what is still lacking or unknown."""

    terms: tuple[Term, ...]
    waiting: str = ""

    @property
    def names_a_night(self) -> bool:
        """Tell whether it says itself which night is meant."""
        return any(t.about == "night" and not t.negated for t in self.terms)

    @property
    def texts(self) -> tuple[str, ...]:
        """Give the words that may be part of a name or a note, or mean nothing at all."""
        return tuple(t.value for t in self.terms if t.about == "text")


def understand(text: str, known: Vocabulary | None = None, ahead_s: int = 0) -> Asked:
    """Read plain words, as far as they go: `reject`, `not cloud`, `wider than 3`, `from 22:10`.

    Words that are no grade, fault, comparison or name are looked for in targets, filters and
    notes. Times of day are by a clock that is `ahead_s` seconds ahead of UTC.
    """
    return _Reader(WORD.findall(text.lower()), known or Vocabulary(), ahead_s).read()


class _Reader:
    def __init__(self, words: list[str], known: Vocabulary, ahead_s: int) -> None:
        self.words, self.known, self.at, self.ahead_s = words, known, 0, ahead_s
        self.unknown = ""

    def read(self) -> Asked:
        terms: list[Term] = []
        negated = False
        while self.at < len(self.words):
            word = self._next()
            if word in ("not", "no", "without"):
                negated = True
                continue
            if word in ("and", "than", "with", "at"):
                continue
            term = self._term(word)
            if term is None:
                return Asked(tuple(terms), self.unknown or _still_wanted(word))
            terms.append(replace(term, negated=True) if negated else term)
            negated = False
        return Asked(tuple(terms), "“not” what?" if negated else self.unknown)

    def _next(self) -> str:
        self.at += 1
        return self.words[self.at - 1]

    def _peek(self) -> str:
        return self.words[self.at] if self.at < len(self.words) else ""

    def _term(self, word: str) -> Term | None:
        """Read one term; None when a number is still to come."""
        if word in COMPARED:
            about, column = COMPARED[word]
            return self._with_number(about, column)
        if word in MEASURE_WORDS and self._peek() in OPERATORS:
            return self._with_number(OPERATORS[self._next()], MEASURE_WORDS[word])
        if word in MEASURE_WORDS and self._peek() in (*COUNTED, "at"):
            return self._in_words(MEASURE_WORDS[word])
        if word in LABELS and self._peek() in OPERATORS:
            return self._labelled(word)
        if self._peek() in OPERATORS or word in OPERATORS:
            return self._turned(word)
        if word == "last" and self._peek() == "night":
            return self._last_night()
        if word in COUNTED:
            return self._count(word)
        if word in (*SINCE, *UNTIL):
            return self._by_its_clock(self._clock(word))
        return self._plain(word)

    def _by_its_clock(self, term: Term | None) -> Term | None:
        """Take times of day to UTC, in which frames are stored."""
        if self._peek() == "utc":
            self.at += 1
            return term
        if term is None:
            return None
        return replace(term, number=(term.number - self.ahead_s) % DAY_S,
                       until=(term.until - self.ahead_s) % DAY_S)  # fmt: skip

    def _clock(self, word: str) -> Term | None:
        """Read a time of day, or two; with one, what is meant ends or began half a day away."""
        found = self._time()
        if found is None:
            return None
        if word in UNTIL:
            return Term("clock", number=(found[1] - HALF_DAY_S) % DAY_S, until=found[1])
        until = (found[0] + HALF_DAY_S) % DAY_S
        if self._peek() in UNTIL:
            self.at += 1
            later = self._time()
            if later is None:
                return None
            until = later[1]
        return Term("clock", number=found[0], until=until)

    def _time(self) -> tuple[int, int] | None:
        """Read a time of day; what is none and cannot become one is said to be none."""
        typed, found = self._peek(), _seconds(self._peek())
        if found is None:
            if typed and not _BEGUN_CLOCK.match(typed):
                self.unknown = f"not understood: “{typed}” is no time of day; one is 22:10"
            self.at = len(self.words)
            return None
        self.at += 1
        return found

    def _with_number(self, about: str, column: str) -> Term | None:
        if self._peek() in ("than", *OPERATORS):  # "wider > 3" says it twice
            self.at += 1
        typed = self._peek()
        found = amount(typed)
        if found is None:
            if typed:
                self.unknown = f"not understood: “{typed}”; this wants a number"
            self.at = len(self.words)
            return None
        self.at += 1
        number, unit = found
        if not unit and factor(column, self._peek()) and self._peek():
            unit = self._next()
        worth = factor(column, unit)
        if worth is None:
            self.unknown = f"not understood: “{unit}” is no unit here"
            self.at = len(self.words)
            return None
        return Term(about, column=column, number=number * worth)

    def _in_words(self, column: str) -> Term | None:
        """Read `fwhm over 3`, `stars at least 50`."""
        if self._peek() == "at":
            self.at += 1
        if self._peek() not in COUNTED:
            return None
        return self._with_number(COUNTED[self._next()], column)

    def _labelled(self, label: str) -> Term | None:
        """Read `filter = Ha`, where it is said what the name is the name of."""
        self.at += 1
        if not self._peek():
            return None
        typed = self._next()
        found = self._plain(typed)
        if found.about != label:
            self.unknown = f"not understood: no {label} is called “{typed}”"
        return found

    def _turned(self, word: str) -> Term | None:
        """Read `3 < fwhm`; a comparison of anything else is not understood."""
        found = amount(word)
        sign = self._next() if found else ""
        if found is None or self._peek() not in MEASURE_WORDS:
            name = self._peek() if found else word
            self.unknown = f"not understood: “{name or word}” is nothing to compare"
            self.at = len(self.words)
            return None
        return Term(TURNED[OPERATORS[sign]], column=MEASURE_WORDS[self._next()], number=found[0])

    def _last_night(self) -> Term | None:
        self.at += 1
        if not self.known.last_night:
            self.unknown = "no night is stored yet"
            return None
        return Term("night", self.known.last_night)

    def _count(self, word: str) -> Term | None:
        """Read `fewer than 50 stars`."""
        term = self._with_number(COUNTED[word], "stars")
        if term is None or self._peek() not in MEASURE_WORDS:
            return term
        return Term(term.about, column=MEASURE_WORDS[self._next()], number=term.number)

    def _plain(self, word: str) -> Term:
        if word.startswith('"') and word.endswith('"') and len(word) > 2:
            return self._quoted(word.strip('"'))
        if word in self.known.filters:
            return Term("filter", self.known.filters[word])
        if _DATE.match(word):
            return Term("night", word)
        if word in ("mine", "marked"):
            return Term("person")
        if word in ("noted", "note"):
            return Term("noted")
        for about, words in (("grade", GRADE_WORDS), ("fault", FAULT_WORDS)):
            found = _meant(word, words)
            if found:
                return Term(about, found)
        return self._named(word) or Term("text", _as_csv_writes(word))

    def _named(self, name: str) -> Term | None:
        """Read a name of a filter or target there is, as it stands or as CSV writes it."""
        plain = _as_csv_writes(name)
        return self._spelt(name) or (self._spelt(plain) if plain != name else None)

    def _spelt(self, name: str) -> Term | None:
        if found := self.known.filter_of(name):
            return Term("filter", found)
        if found := self.known.target_of(name):
            return Term("target", found)
        return None

    def _quoted(self, name: str) -> Term:
        """Read a name that can be nothing else; one that there is not finds nothing."""
        named = self._named(self.known.no_filter if name == NONE else name)
        if named is None:
            self.unknown = f"no frame of {name}"
        return named or Term("target", name)


def _as_csv_writes(word: str) -> str:
    plain = unescaped(word)
    return word if plain is None else plain.lower()


def _still_wanted(word: str) -> str:
    wanted = "a time, such as 22:10" if word in (*SINCE, *UNTIL) else "a number"
    return f"“{word}” still wants {wanted}"


def _seconds(word: str) -> tuple[int, int] | None:
    """Read a time of day as its first and last second: 22:10 lasts a minute."""
    found = _CLOCK.match(word)
    if found is None:
        return None
    hour, minute, second = found.groups()
    start = int(hour) * 3600 + int(minute) * 60 + int(second or 0)
    return start, start + (0 if second else 59)


def _meant(word: str, words: dict[str, str]) -> str | None:
    """Find the one thing a word or its beginning can mean."""
    if word in words:
        return words[word]
    if len(word) < SHORTEST_START:
        return None
    found = {meaning for full, meaning in words.items() if full.startswith(word)}
    return found.pop() if len(found) == 1 else None


def words_known(known: Vocabulary) -> list[str]:
    """List the words that mean something, those a person would want first before the others."""
    names = [*known.filters.values(), *known.targets.values()]
    quoted = [f'"{name}"' if " " in name else name for name in names]
    compared = [f"{word} than" for word in COMPARED]
    measures = [f"{word} >" for word in MEASURE_WORDS if "_" not in word]
    ways = ["last night", "from", "not", "mine", "noted", "marked"]
    return [*GRADE_WORDS, *FAULT_WORDS, *quoted, *compared, *measures, *ways]


EXAMPLES = (
    ("keep  doubtful  reject  ungraded", "a grade"),
    ("cloud  soft  trailed  defocused …", "a fault, by its name or the start of it"),
    ("fwhm > 2.1   ecc >= 0.2   stars < 50", "a comparison; sky, noise, length, airmass as well"),
    ("wider than 3   fewer than 50 stars", "the same in words"),
    ('M33 Ha   "M 33"   filter = Ha', "a target, a filter; in quotes exactly this one"),
    ("from 22:10 to 23:05   after 23:00", "times of day"),
    ("last night   2026-10-14", "a night"),
    ("mine   noted   not cloud", "what is yours; what has a note; the opposite"),
)  # what the help of the list shows
