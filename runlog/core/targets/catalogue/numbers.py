"""Catalogues of deep-sky objects: how their numbers are written, and how far they go.

Ends of the number ranges: NGC 7840 and IC 5386 (Dreyer 1888, 1908), Sharpless 313 (1959), Lynds
1802 and 1125 (1962, 1965), van den Bergh 158 (1966), Abell 4076 (1989), Arp 338 (1966), Melotte
245 (1915), Collinder 471 (1931), Barnard 370 (1927), Caldwell 109; all from memory. None: no check.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Catalogue:
    """One catalogue: its printed prefix, what joins prefix and number, its last number."""

    prefix: str
    last: int | None
    spellings: tuple[str, ...]
    join: str = " "


CATALOGUES = (
    Catalogue("M", 110, ("m", "messier", "mess", "mes")),
    Catalogue("NGC", 7840, ("ngc", "n.g.c.", "n g c")),
    Catalogue("IC", 5386, ("ic", "i.c.", "i c")),
    Catalogue("Sh2", 313, ("sh2", "sh 2", "sharpless 2", "sharpless", "sh"), "-"),
    Catalogue("B", 370, ("barnard", "barn", "b")),
    Catalogue("C", 109, ("caldwell", "cald", "c")),
    Catalogue("vdB", 158, ("vdb", "van den bergh", "v d b")),
    Catalogue("Abell", 4076, ("abell", "pn a66", "pn a", "aco")),
    Catalogue("LDN", 1802, ("ldn",)),
    Catalogue("LBN", 1125, ("lbn",)),
    Catalogue("UGC", 12921, ("ugc",)),
    Catalogue("PGC", None, ("pgc", "leda")),
    Catalogue("Mel", 245, ("melotte", "mel")),
    Catalogue("Cr", 471, ("collinder", "coll", "cr")),
    Catalogue("Arp", 338, ("arp",)),
    Catalogue("HCG", 100, ("hickson", "hcg")),
    Catalogue("Simeis", 300, ("simeis",)),
    Catalogue("Ced", 215, ("cederblad", "ced")),
    Catalogue("RCW", 182, ("rcw",)),
    Catalogue("Gum", 97, ("gum",)),
    Catalogue("CTB", None, ("ctb",)),
    Catalogue("WR", None, ("wr",)),
    Catalogue("Tr", 37, ("trumpler", "tr")),
    Catalogue("Pal", 15, ("palomar", "pal")),
)  # fmt: skip
BY_SPELLING: Mapping[str, Catalogue] = {
    re.sub(r"[\W_]", "", spelling): catalogue
    for catalogue in CATALOGUES
    for spelling in catalogue.spellings
}
# One letter is also a filter's name (B) or a temperature (C): only believed where a name begins.
SINGLE = frozenset({"b", "c"})


def _pattern(spelling: str) -> str:
    return r"[\s_\-.]*".join(re.escape(part) for part in re.split(r"[\s_\-.]+", spelling) if part)


_LONG = sorted(
    {s for c in CATALOGUES for s in c.spellings if s not in SINGLE}, key=lambda s: (-len(s), s)
)
_NUMBER = r"[\s_\-.#:]*0*(?P<number>[1-9][0-9]{0,6})(?![0-9]|[OoIl]+[0-9]|[OoIl]{2,}(?![A-Za-z]))"
_NOT_A_UNIT = r"(?!s\b|s_|x[0-9]|nm|mm|sec)"
DESIGNATION = re.compile(
    r"(?<![A-Za-z0-9])(?P<prefix>" + "|".join(map(_pattern, _LONG)) + ")" + _NUMBER + _NOT_A_UNIT,
    re.IGNORECASE,
)
DESIGNATION_AT_START = re.compile(
    r"(?:\A|(?<=\()|(?<==\s))\s*(?P<prefix>[bc])"
    + _NUMBER
    + r"(?!\s?s\b|\s?sec|s_|x[0-9]|nm|[.,][0-9])",
    re.IGNORECASE,
)  # fmt: skip


def designation(prefix: str, number: str) -> str | None:
    """Print a catalogue number as published; None where the catalogue has no such number."""
    catalogue = BY_SPELLING.get(re.sub(r"[\W_]", "", prefix).lower())
    if catalogue is None or (catalogue.last is not None and int(number) > catalogue.last):
        return None
    return f"{catalogue.prefix}{catalogue.join}{int(number)}"
