"""Names of targets: every spelling of an object leads to one name, and nothing else does.

Catalogue numbers are folded by rule, nicknames by our own table and OpenNGC's. What is left over
keeps its words and stays a target of its own: it is asked about, never merged by guess.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from runlog.core.targets.catalogue.messier import TO_MESSIER
from runlog.core.targets.catalogue.nicknames import (
    GENERIC,
    NICKNAMES,
    SEVERAL,
    WORDS,
    nickname_key,
    words_of,
)
from runlog.core.targets.catalogue.numbers import (
    DESIGNATION,
    DESIGNATION_AT_START,
    designation,
)
from runlog.core.targets.catalogue.regions import REGIONS, SAME, SkyObject
from runlog.core.targets.misspelled import mistyped_number, slips_of
from runlog.core.targets.places import place_name, read_place
from runlog.core.targets.sequence_words import (
    FILTER_WORDS,
    find_panel,
    with_panel,
    without_settings,
)

NO_TARGET = "(no name)"
USUAL_FIELD_DEG = 0.4  # where nothing tells how much sky a frame holds
PART_OF_FIELD = 0.25  # an object this near the middle, in shorter sides, is what was meant
_ROUNDS = 10
OUTSHINES = 3.0  # how much larger it must be than any other object there
_JOINING = frozenset("and und et y with the of in ngc ic".split())
_NOTHING = frozenset(
    "none unknown undefined na null nil noname unnamed untitled notset object target targetname "
    "light lights lightframe frame image sequence sequence1 default test".split()
)


class How(StrEnum):
    """What a target's name was told by."""

    NUMBER = "catalogue number"
    NICKNAME = "nickname"
    TYPO = "slip of the fingers"
    PLACE = "where it points"
    AS_WRITTEN = "as written"
    NOTHING = "no name"


@dataclass(frozen=True, slots=True)
class Folded:
    """A target's one name, how it was found, and which known objects it might mean as well."""

    name: str
    how: How
    perhaps: tuple[str, ...] = ()


class Catalogue(Protocol):
    """What a catalogue of the sky must answer; names as printed, "NGC 7000"."""

    def main_name(self, name: str) -> str | None:
        """Give the number an object is best known by; None when it is not in the catalogue."""

    def nicknames(self) -> Mapping[str, tuple[str, ...]]:
        """Give the objects of each nickname, by `nickname_key`."""

    def words(self) -> Mapping[str, tuple[str, ...]]:
        """Give the words of each nickname, by `nickname_key`."""

    def near(self, ra_deg: float, dec_deg: float, within_deg: float) -> Sequence[SkyObject]:
        """List objects around a place, largest first."""

    def place(self, name: str) -> SkyObject | None:
        """Give an object's place."""


class NoCatalogue:
    """The rules and our own tables alone."""

    def main_name(self, name: str) -> str | None:
        """Know no numbers."""
        return None

    def nicknames(self) -> Mapping[str, tuple[str, ...]]:
        """Know no nicknames."""
        return {}

    def words(self) -> Mapping[str, tuple[str, ...]]:
        """Know no nicknames."""
        return {}

    def near(self, ra_deg: float, dec_deg: float, within_deg: float) -> Sequence[SkyObject]:
        """Know no places."""
        return ()

    def place(self, name: str) -> SkyObject | None:
        """Know no places."""
        return None


@dataclass(slots=True)
class TargetNames:
    """Folds names, remembering each spelling, of which there are few."""

    catalogue: Catalogue = field(default_factory=NoCatalogue)
    _known: dict[str, Folded] = field(default_factory=dict)

    def fold(self, raw: str | None) -> Folded:
        """Give a target its one name."""
        key = raw or ""
        if key not in self._known:
            self._known[key] = self._settled(tidy(raw))
        return self._known[key]

    def _settled(self, text: str) -> Folded:
        """Fold until a name stays as it is: what is left of odd spellings may read anew."""
        found = self._fold(text)
        for _ in range(_ROUNDS):
            again = self._fold(tidy(found.name))
            if again.name == found.name:
                break
            found = again
        return found

    def _fold(self, text: str) -> Folded:
        if nickname_key(text) in _NOTHING or not nickname_key(text):
            return Folded(NO_TARGET, How.NOTHING) if _says_nothing(text) else _as_written(text)
        rest, panel = find_panel(text)
        found = self._by_number(rest) or self._by_nickname(rest)
        if found is None and (place := read_place(text)) is not None:
            return self.at(*place)
        found = found or self._by_typo(rest)
        if found is None:
            return _unknown(text, rest, panel)
        return Folded(with_panel(found.name, panel), found.how, found.perhaps)

    def at(self, ra_deg: float, dec_deg: float, field_deg: float | None = None) -> Folded:
        """Name what a frame without a name points at: an object near its middle, or the place.

        `field_deg` is the shorter side of the frame. Of several objects within a part of it the
        largest is taken only when it outshines the others; else the place gets a name of its own.
        """
        within = (field_deg or USUAL_FIELD_DEG) * PART_OF_FIELD
        near = self.catalogue.near(ra_deg, dec_deg, within)
        if near and (len(near) == 1 or _size(near[0]) >= OUTSHINES * _size(near[1])):
            return Folded(self._main(near[0].name), How.PLACE)
        wider = [self._main(p.name) for p in self.catalogue.near(ra_deg, dec_deg, 4 * within)]
        return Folded(place_name(ra_deg, dec_deg), How.PLACE, tuple(dict.fromkeys(wider))[:3])

    # --- by number -------------------------------------------------------------------------

    def _by_number(self, text: str) -> Folded | None:
        names, rest = _numbers(text)
        if not names:
            return None
        objects = _apart([self._main(name) for name in names])
        words = [w for w in without_settings(rest) if nickname_key(w) and w.lower() not in _JOINING]
        if len(objects) > 1:
            name = " + ".join(objects)
            return Folded(name, How.NUMBER) if not words else _more(name, words, tuple(objects))
        if not words or self._are_nickname(words, objects[0]):
            plain = objects[0].rstrip("ABCDEOolI")
            if plain != objects[0] and plain[-1].isdigit():
                return Folded(objects[0], How.AS_WRITTEN, (self._main(plain),))
            return Folded(objects[0], How.NUMBER)
        return _more(objects[0], words, tuple(objects))

    def _main(self, name: str) -> str:
        """Give the best-known number of an object: Messier, then NGC, then IC."""
        for _ in range(4):
            known = TO_MESSIER.get(name) or SAME.get(name)
            if known is None and not _is_best(name):
                known = self.catalogue.main_name(name)
            if known is None or known == name:
                return name
            name = known
        return name

    def _are_nickname(self, words: Sequence[str], name: str) -> bool:
        """Tell whether words beside a number are only the object's nickname, or part of it."""
        said = [w for word in words for w in words_of(word)]
        if set(said) <= GENERIC:
            return True
        joined = "".join(said)
        return any(
            set(said) <= {*known, *GENERIC} or joined in ("".join(known), _plain(known))
            for known in self._nicknames_of(name)
        )

    def _nicknames_of(self, name: str) -> list[tuple[str, ...]]:
        own = [WORDS[key] for key, named in NICKNAMES.items() if named == name]
        words = self.catalogue.words()
        others = [
            words[key]
            for key, names in self.catalogue.nicknames().items()
            if key not in NICKNAMES and name in names
        ]
        return own + others

    # --- by nickname -----------------------------------------------------------------------

    def _by_nickname(self, text: str) -> Folded | None:
        candidates = (text, " ".join(without_settings(text)))
        for candidate in candidates:
            key = nickname_key(candidate)
            if not key:
                continue
            several = next((SEVERAL[k] for k in (key, *_longer(key)) if k in SEVERAL), None)
            if several is not None:
                return Folded(several[0], How.AS_WRITTEN, several[1])
            names = self._objects_called(key)
            if len(names) == 1:
                return Folded(names[0], How.NICKNAME)
            if names:
                return Folded(" ".join(words_of(candidate)).title(), How.AS_WRITTEN, names)
        return None

    def _objects_called(self, key: str) -> tuple[str, ...]:
        if key in NICKNAMES:
            return (NICKNAMES[key],)
        found = self.catalogue.nicknames().get(key, ())
        return tuple(_apart([self._main(n) for n in found])) or self._bare(key)

    def _bare(self, key: str) -> tuple[str, ...]:
        """Find a nickname said without its "nebula" or "galaxy", where it means one object."""
        longer = _longer(key)
        named = [NICKNAMES[k] for k in longer if k in NICKNAMES]
        others = self.catalogue.nicknames()
        for k in longer:
            if k not in NICKNAMES:
                named += [self._main(n) for n in others.get(k, ())]
        return tuple(_apart(named)) if len(key) >= 4 else ()

    # --- slips of the fingers --------------------------------------------------------------

    def _by_typo(self, text: str) -> Folded | None:
        number = mistyped_number(" ".join(without_settings(text)))
        if number is not None:
            return Folded(self._main(number), How.TYPO)
        written = [w for w in words_of(text) if w not in _LONG_SETTINGS]
        found: dict[int, set[str]] = {}
        for known, name in self._all_nicknames():
            count = slips_of(written, known)
            if count is not None:
                found.setdefault(count, set()).add(name)
        closest = sorted(found[min(found)]) if found else []
        return Folded(closest[0], How.TYPO) if len(closest) == 1 else None

    def _all_nicknames(self) -> list[tuple[tuple[str, ...], str]]:
        own = [(WORDS[key], name) for key, name in NICKNAMES.items()]
        words = self.catalogue.words()
        others = [
            (words[key], self._main(names[0]))
            for key, names in self.catalogue.nicknames().items()
            if key not in NICKNAMES and len(names) == 1
        ]
        return own + others


def _unknown(text: str, rest: str, panel: str | None) -> Folded:
    base = " ".join(rest.replace("_", " ").split()).strip(" -,")
    if panel is not None and base:
        return Folded(with_panel(base, panel), How.AS_WRITTEN)
    return _as_written(text)


_LONG_SETTINGS = frozenset(word for word in FILTER_WORDS if len(word) > 1)
_BEST = frozenset(SAME.values()) | frozenset(NICKNAMES.values())


def _is_best(name: str) -> bool:
    """Tell whether a number is known to be an object's best, so that no catalogue is asked."""
    return name in _BEST or name in REGIONS or name.startswith(("M ", "Sh2"))


def _plain(words: Sequence[str]) -> str:
    return "".join(w for w in words if w not in GENERIC)


def _longer(key: str) -> list[str]:
    return [key + word for word in ("nebula", "galaxy", "cluster")]


def _size(place: SkyObject) -> float:
    return place.size_arcmin or 0.0


def tidy(raw: str | None) -> str:
    """Trim a name: one blank between words, no control characters, compatibility forms folded."""
    text = unicodedata.normalize("NFKC", raw or "")
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split()).strip("'\"_ ")


def _says_nothing(text: str) -> bool:
    return not text.strip("_- .") or nickname_key(text) in _NOTHING


def _as_written(text: str) -> Folded:
    plain = " ".join(text.replace("_", " ").split())
    return Folded(plain, How.AS_WRITTEN) if plain else Folded(NO_TARGET, How.NOTHING)


def _more(name: str, words: Sequence[str], perhaps: tuple[str, ...]) -> Folded:
    """Keep the words that stand beside a number: "M 33 west" is not M 33."""
    return Folded(" ".join((name, *words)), How.AS_WRITTEN, perhaps)


def _apart(names: Sequence[str]) -> list[str]:
    """List each name once, in the order of catalogues' printed names and numbers."""
    return sorted({part for name in names for part in name.split(" + ")}, key=_order)


def _order(name: str) -> tuple[str, int, str]:
    number = re.search(r"(\d+)\Z", name)
    return (name[: number.start()] if number else name, int(number[1]) if number else 0, name)


_SECOND = re.compile(r"\A\s?(?P<joint>[/\-+&])\s?(?P<number>[1-9][0-9]{0,4})(?![0-9a-z])", re.I)


def _twin(prefix: str, number: str, second: re.Match[str]) -> str | None:
    """Read the second number of "NGC 869/884" or "NGC 4038/39"; None when it may be no number."""
    other = second["number"]
    if len(other) < len(number):
        if second["joint"] == "-" or len(number) < 3:
            return None
        other = number[: len(number) - len(other)] + other
    return designation(prefix, other)


def _numbers(text: str) -> tuple[list[str], str]:
    """Take the catalogue numbers out of a name: those found, and the rest of it."""
    names: list[str] = []
    rest = text
    for pattern in (DESIGNATION_AT_START, DESIGNATION):
        start = 0
        while match := pattern.search(rest, start):
            name = designation(match["prefix"], match["number"])
            if name is None:
                start = match.end()
                continue
            names.append(name)
            after = rest[match.end() :]
            while second := _SECOND.match(after):  # "NGC 869/884"
                twin = _twin(match["prefix"], match["number"], second)
                if twin is None:
                    break
                names.append(twin)
                after = after[second.end() :]
            suffix, after = _glued(after)
            names[-1] += suffix
            rest = f"{rest[: match.start()]} {after}"
            start = match.start()
    return names, rest


def _glued(after: str) -> tuple[str, str]:
    """Look at a letter glued to a number: part of the name ("IC1318B"), or a filter ("M31L")."""
    if re.match(r"[A-Ea-eOolI](?![A-Za-z0-9])", after):  # or a slip for 0 or 1
        return after[0] if after[0] in "OolI" else after[0].upper(), after[1:]
    return "", f" {after}"
