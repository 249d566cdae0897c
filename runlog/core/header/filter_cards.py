"""Which filter a header's cards name: several wheels in a row, and letters that several sets use.

A bare g or r in lower case is Sloan's where a card beside it says so (an identifier that names
SDSS), or where the header is an observatory's: two or more keywords that the NOAO FITS Keyword
Dictionary 1.0 or an observatory's archive has and capture programs for cameras with colour filters
do not write, and none that SBFITSEXT 1.0 asks for. Else it is red or green (common practice, no
source).
"""

import re
from collections.abc import Mapping

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, text_of
from runlog.core.header.filters import System, fold_filter, system_in

_OF_OBSERVATORIES = (
    "OBSERVAT PROPID PROPOSID PROPOSAL PROPOSER PINAME PICOI PI OBSTYPE OBSID DETSEC DETSIZE "
    "CCDSEC DATASEC BIASSEC TRIMSEC NCCDS NAMPS DTTELESC DTSITE DTINSTRU PROCTYPE PRODTYPE "
    "PHOTFILT TELRADEC"
).split()
_OF_CAPTURE = ("SBSTDVER", "XPIXSZ")
_ENOUGH = 2
_OF_ESO = ("ESODPRTYPE", "ESOINSID", "ESOTELID")
# Cards that identify the glass in a wheel, beside the one that names it.
_IDENTIFIERS = (
    "FILTERI1 FILTERI2 FILTERI3 FILTERI4 FILTERID FILTID FILTERSN FILTSYS PHOTSYS FILTDESC"
).split()
_WHEEL = re.compile(r"[0-9]+(?:NAME)?\Z")


def read_filter(index: CardIndex, names: Mapping[str, str]) -> tuple[str | None, str | None]:
    """Give the filter as written and folded: the first card that names one, else the first.

    Of several wheels one that stands on clear glass, and a card that gives a number only, give way
    to a name.
    """
    first, weak = None, None
    for card in index.all("filter"):
        if card.value is None or isinstance(card.value, bool):
            continue
        raw = text_of(card.value)
        folded = fold_filter(raw, names, _system(index) if len(raw) == 1 else System.UNKNOWN)
        if folded is None:
            first = first or raw
        elif _gives_way(card, folded):
            weak = weak or (raw, folded)
        else:
            return raw, folded
    return weak or (first, None)


def _gives_way(card: Card, folded: str) -> bool:
    in_wheel = _WHEEL.search(card.keyword.strip()) is not None
    return folded.startswith("Slot ") or (folded == "Clear" and in_wheel)


def _system(index: CardIndex) -> System:
    """Tell which set single letters are of, by everything but the letter."""
    cards = (index.get(keyword) for keyword in _IDENTIFIERS)
    said = " ".join(text_of(card.value) for card in cards if card is not None and card.value)
    told = system_in(said)
    if told is not System.UNKNOWN:
        return told
    return System.SLOAN if _of_observatory(index) else System.UNKNOWN


def _of_observatory(index: CardIndex) -> bool:
    if any(index.get(keyword) for keyword in _OF_ESO):
        return True
    if any(index.get(keyword) for keyword in _OF_CAPTURE):
        return False
    return sum(index.get(keyword) is not None for keyword in _OF_OBSERVATORIES) >= _ENOUGH
