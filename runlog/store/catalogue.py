"""OpenNGC through pyongc: numbers, nicknames and places of 14,000 objects, read when first asked.

OpenNGC is by Mattia Verga and others, licensed CC-BY-SA-4.0.
"""

import math
import re
import sqlite3
from collections.abc import Mapping, Sequence
from functools import cache, cached_property
from typing import Any

from runlog.core.targets.catalogue.nicknames import nickname_key, words_of
from runlog.core.targets.catalogue.regions import REGIONS, SkyObject
from runlog.core.targets.names import TargetNames
from runlog.core.targets.places import apart_deg

_MAIN = re.compile(r"(NGC|IC|Mel|M|B|C|UGC|PGC|HCG|H|Cl)(\d+)\Z")
_WIDTHS = {"NGC": 4, "IC": 4, "PGC": 6, "UGC": 5}
_SMALLEST_ARCMIN = 1.0  # fainter specks are no one's target without a name


class OpenNgc:
    """The catalogue; its file is opened at the first question."""

    @cached_property
    def _rows(self) -> sqlite3.Connection:
        from pyongc import DBPATH

        return sqlite3.connect(f"file:{DBPATH}?mode=ro", uri=True, check_same_thread=False)

    def main_name(self, name: str) -> str | None:
        """Give the number an object is best known by: Messier, else NGC or IC."""
        row = self._row(name)
        if row is None:
            return None
        main, kind, messier, ngc, ic = row
        if kind == "Dup":
            return _printed_dup(ngc, ic)
        return f"M {int(messier)}" if messier else _printed(main)

    def _row(self, name: str) -> Any | None:
        query = (
            "SELECT o.name, o.type, o.messier, o.ngc, o.ic "
            "FROM objIdentifiers i JOIN objects o ON o.name = i.name WHERE i.identifier = ?"
        )
        return self._rows.execute(query, (_key(name),)).fetchone()

    def place(self, name: str) -> SkyObject | None:
        """Give an object's place, from our own table where OpenNGC has none."""
        if name in REGIONS:
            return REGIONS[name]
        key = self._row(name) or self._messier(name)
        if key is None:
            return None
        query = "SELECT ra, dec, majax FROM objects WHERE name = ?"
        ra, dec, size = self._rows.execute(query, (key[0],)).fetchone()
        return None if ra is None else SkyObject(name, math.degrees(ra), math.degrees(dec), size)

    def _messier(self, name: str) -> Any | None:
        if not name.startswith("M ") or not name[2:].isdecimal():
            return None
        query = "SELECT name FROM objects WHERE messier = ? AND type != 'Dup'"
        return self._rows.execute(query, (f"{int(name[2:]):03d}",)).fetchone()

    @cached_property
    def _named(self) -> dict[str, tuple[tuple[str, ...], tuple[str, ...]]]:
        """Nickname key -> (objects, words)."""
        found: dict[str, tuple[list[str], tuple[str, ...]]] = {}
        query = (
            "SELECT name, messier, commonnames FROM objects WHERE commonnames != '' ORDER BY name"
        )
        for main, messier, nicknames in self._rows.execute(query):
            name = f"M {int(messier)}" if messier else _printed(main)
            for nickname in nicknames.split(","):
                key = nickname_key(nickname)
                found.setdefault(key, ([], words_of(nickname)))[0].append(name)
        return {key: (tuple(sorted(set(n))), words) for key, (n, words) in found.items()}

    def nicknames(self) -> Mapping[str, tuple[str, ...]]:
        """Give the objects of each nickname."""
        return self._nicknames

    @cached_property
    def _nicknames(self) -> dict[str, tuple[str, ...]]:
        return {key: names for key, (names, _) in self._named.items()}

    def words(self) -> Mapping[str, tuple[str, ...]]:
        """Give the words of each nickname."""
        return self._words

    @cached_property
    def _words(self) -> dict[str, tuple[str, ...]]:
        return {key: words for key, (_, words) in self._named.items()}

    def near(self, ra_deg: float, dec_deg: float, within_deg: float) -> Sequence[SkyObject]:
        """List objects of some size around a place, largest first."""
        found = [*self._near(ra_deg, dec_deg, within_deg)]
        found += [p for p in REGIONS.values() if p.same is None]
        close = [p for p in found if apart_deg(ra_deg, dec_deg, p.ra_deg, p.dec_deg) <= within_deg]
        return sorted(close, key=lambda p: (-(p.size_arcmin or 0), p.name))

    def _near(self, ra_deg: float, dec_deg: float, within_deg: float) -> list[SkyObject]:
        query = (
            "SELECT name, messier, ra, dec, majax FROM objects "
            "WHERE dec BETWEEN ? AND ? AND majax >= ? AND type != 'Dup'"
        )
        low, high = math.radians(dec_deg - within_deg), math.radians(dec_deg + within_deg)
        return [
            SkyObject(
                f"M {int(messier)}" if messier else _printed(name),
                math.degrees(ra),
                math.degrees(dec),
                size,
            )
            for name, messier, ra, dec, size in self._rows.execute(
                query, (low, high, _SMALLEST_ARCMIN)
            )
        ]


def _key(name: str) -> str:
    """Write a printed name as OpenNGC's index does: "NGC 281" -> "NGC0281"."""
    prefix, _, number = name.partition(" ")
    if not number.isdecimal():
        return name.upper().replace(" ", "")
    return f"{prefix.upper()}{int(number):0{_WIDTHS.get(prefix, 3)}d}"


def _printed(name: str) -> str:
    match = _MAIN.match(name)
    if match is None:
        return name
    prefix = "Cr" if match[1] == "Cl" else match[1]
    return f"{prefix} {int(match[2])}"


def _printed_dup(ngc: str, ic: str) -> str | None:
    number = (ngc or ic).split(",")[0].strip()
    return f"{'NGC' if ngc else 'IC'} {int(number)}" if number.isdigit() else None


@cache
def target_names() -> TargetNames:
    """Give the one folder of names of this process; what it remembers never changes."""
    return TargetNames(OpenNgc())
