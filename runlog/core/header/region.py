"""Where on the sensor a frame's pixels lie, for frames smaller than the sensor.

XORGSUBF and YORGSUBF are the subframe's origin in binned pixels (SBFITSEXT 1.0). DETSEC and CCDSEC
are sections "[x1:x2,y1:y2]" in unbinned pixels from 1 (NOAO FITS Keyword Dictionary 1.0); DATASEC
is a section of the image array and says nothing of the sensor. All from memory.
"""

import re
from collections.abc import Mapping, Sequence

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex
from runlog.core.header.keywords import ALIASES, squeeze

_SECTION = re.compile(r"\[\s*(\d+)\s*:\s*(\d+)\s*,\s*(\d+)\s*:\s*(\d+)\s*\]\Z")
_NAMES = ("region_x", "region_y", "region")


def read_origin(
    cards: Sequence[Card],
    binning: tuple[int, int],
    aliases: Mapping[str, tuple[str, ...]] | None = None,
) -> tuple[int, int] | None:
    """Give the region's first column and row in unbinned pixels from 0; None where nobody says."""
    extra = {name: (aliases or {}).get(name, ()) for name in _NAMES}
    wanted = {word for name in _NAMES for word in (*ALIASES[name], *map(squeeze, extra[name]))}
    index = CardIndex([card for card in cards if squeeze(card.keyword) in wanted], extra)
    x, y = index.number("region_x"), index.number("region_y")
    if x is not None and y is not None:
        return round(x[0] * binning[0]), round(y[0] * binning[1])
    sections = (_SECTION.match(str(card.value)) for card in index.all("region"))
    return next((_corner(s) for s in sections if s), None)


def _corner(section: re.Match[str]) -> tuple[int, int]:
    """Give the lower corner; a section runs backwards where the read-out was flipped."""
    x1, x2, y1, y2 = (int(number) for number in section.groups())
    return min(x1, x2) - 1, min(y1, y2) - 1
