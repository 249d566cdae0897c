"""The few choices that mean exactly some frames, as options of `runlog correct`.

What is printed to be typed must not touch a frame beside those it is about.
"""

import posixpath
import re
import shlex
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from fnmatch import translate
from functools import cached_property
from glob import escape
from typing import NamedTuple

from runlog.core.header.filters import NO_FILTER

NIGHT, RIG, KIND, FILTER = "--night", "--rig", "--kind", "--filter"
FOLDER, PATTERN = "--folder", "--pattern"
NAMED_AT_ONCE = 4  # frames by their own names in one command
MOST_PATTERNS = 12  # tried; frames beyond them are named one by one
_COUNTER = re.compile(r"[0-9]+(?=[^0-9]*\Z)")


class Sight(NamedTuple):
    """What a selection can tell one frame by."""

    id: int
    night: str = ""  # empty where it is not known
    rig: str = ""
    kind: str = ""
    filter: str = ""
    timed: bool = True
    paths: tuple[str, ...] = ()
    run: int = 0  # one rig's night; two rigs may have one name


Options = tuple[tuple[str, str], ...]


class Choice(NamedTuple):
    """Options, else frames by their names, with how many frames they mean."""

    options: Options
    frames: int
    named: tuple[str, ...] = ()

    def without_night(self) -> "Choice":
        """Give the rest of it, to find selections that differ by the night alone."""
        rest = tuple(o for o in self.options if o[0] != NIGHT)
        return Choice(rest, 0, self.named)

    @property
    def night(self) -> str:
        """The night it names, if any."""
        return dict(self.options).get(NIGHT, "")

    def typed(self, night: str = "") -> str:
        """Write it as it is typed, if asked with another word for the night."""
        said = ((name, night if night and name == NIGHT else v) for name, v in self.options)
        options = (f"{name} {shlex.quote(value)}" for name, value in said)
        return " ".join([*map(shlex.quote, self.named), *options])


class Among:
    """Some frames, to see whom of them a selection would touch."""

    def __init__(self, sights: Iterable[Sight]) -> None:
        self.sights = list(sights)

    @cached_property
    def by_words(self) -> dict[Options, set[int]]:
        """Give the frames that each selection by night, rig, kind and filter means."""
        alike: dict[Sight, list[int]] = defaultdict(list)
        for s in self.sights:
            alike[s._replace(id=0, timed=True, paths=(), run=0)].append(s.id)
        found: dict[Options, set[int]] = defaultdict(set)
        for sight, ids in alike.items():
            for options in {*_by_words(sight, wide=False), *_by_words(sight, wide=True)}:
                found[_folded(options)].update(ids)
        return found

    def meant(self, wanted: dict[str, str]) -> set[int]:
        """Give the frames that a selection by night, folder and pattern means."""
        folder, night = wanted.get(FOLDER), wanted.get(NIGHT)
        start = f"{folder.rstrip('/')}/" if folder is not None else ""
        matches = re.compile(translate(wanted.get(PATTERN, "*"))).match
        return {
            s.id
            for s in self.sights
            if night in (None, s.night)
            and any(p.startswith(start) and matches(posixpath.basename(p)) for p in s.paths)
        }


class Everyone:
    """All stored frames, to see whom a selection would touch."""

    def __init__(
        self, sights: Iterable[Sight], rest: Callable[[], Iterable[Sight]] = tuple
    ) -> None:
        """Know all frames of the nights that are spoken of; `rest` gives those of the others.

        They are asked for only where a selection may go over nights: there may be very many.
        """
        self._near, self._rest = Among(sights), rest

    @property
    def near(self) -> Sequence[Sight]:
        """The frames of the nights that are spoken of."""
        return self._near.sights

    @cached_property
    def _all(self) -> Among:
        return Among([*self._near.sights, *self._rest()])

    @cached_property
    def _times_named(self) -> Counter[str]:
        paths = (s.paths for s in self._all.sights)
        return Counter(name for own in paths for name in {*map(posixpath.basename, own)})

    def of_nights(self, few: Iterable[Sight]) -> list[Sight]:
        """Give all frames of the runs that some frames belong to."""
        runs = {(s.run, s.night, s.rig) for s in few}
        return [s for s in self._near.sights if (s.run, s.night, s.rig) in runs]

    def covered(
        self, about: Sequence[Sight], *, wide: bool = False
    ) -> tuple[list[Choice], list[Sight]]:
        """Find selections that mean only these frames, the largest first, and who is left.

        `wide` may go over several nights; else each selection keeps to one.
        """
        ids = {s.id for s in about}
        among = self._all if wide or not all(s.night for s in about) else self._near
        plain = {o for s in about for o in _by_words(s, wide)}
        exact = {o: m for o in plain if (m := among.by_words[_folded(o)]) <= ids}
        if ids - set().union(*exact.values()):
            paths = _by_paths(about, among, wide)
            exact |= {o: m for o, m in paths if len(m) > 1 and m <= ids}
        found, left = [], set(ids)
        while gains := {o: len(m & left) for o, m in exact.items() if m & left}:
            best = min(gains, key=lambda o: (-gains[o], _plainness(o), o))
            found.append(Choice(best, len(exact[best])))
            left -= exact.pop(best)
        rest = {s.id: s for s in about if s.id in left}
        return found, sorted(rest.values(), key=lambda s: (s.paths, s.id))

    def named(self, few: Sequence[Sight]) -> Choice | None:
        """Name frames themselves; None where a name cannot be typed."""
        names = tuple(self._name(s) for s in few)
        return Choice((), len(few), names) if all(names) else None

    def _name(self, sight: Sight) -> str:
        path = next((p for p in sight.paths if p.isprintable()), "")
        name = posixpath.basename(path)
        return name if self._times_named[name] == 1 and not name.startswith("-") else path


def _by_paths(
    about: Sequence[Sight], among: Among, wide: bool
) -> Iterator[tuple[Options, set[int]]]:
    usual = Counter(o for s in about for o in set(_by_path(s, wide)))
    for options in sorted(usual, key=lambda o: (-usual[o], o))[:MOST_PATTERNS]:
        yield options, among.meant(dict(options))


def _by_words(sight: Sight, wide: bool) -> Iterator[Options]:
    if not sight.rig:
        return
    rig: Options = ((RIG, sight.rig),)
    kind: Options = ((KIND, sight.kind),) if sight.kind else ()
    bare: Options = ((FILTER, "none"),) if sight.filter == NO_FILTER else ()
    for night in _nights(sight, wide):
        head = night + rig
        yield from (head, head + kind, head + bare, head + kind + bare)


def _nights(sight: Sight, wide: bool) -> tuple[Options, ...]:
    night: Options = ((NIGHT, sight.night),) if sight.night else ()
    return ((), night) if wide else (night,)


def _by_path(sight: Sight, wide: bool) -> Iterator[Options]:
    head = _nights(sight, wide)[0]
    for path in filter(str.isprintable, sight.paths):
        folder, name = posixpath.split(path)
        within: Options = ((FOLDER, folder),)
        yield head + within
        if pattern := _pattern(name):
            yield from (head + w + ((PATTERN, pattern),) for w in ((), within))


def _pattern(name: str) -> str:
    """Write a file's name with its counter, the last number, left open; "" where it has none."""
    found = _COUNTER.search(name)
    if found is None:
        return ""
    return f"{escape(name[: found.start()])}*{escape(name[found.end() :])}"


def _folded(options: Options) -> Options:
    """Write a rig as it is compared: large and small letters are one."""
    return tuple((name, value.lower() if name == RIG else value) for name, value in options)


def _plainness(options: Options) -> int:
    """Order selections that mean the same frames: by words rather than by file, the fewest."""
    return len(options) + sum(3 for name, _ in options if name in (FOLDER, PATTERN))
