"""The world coordinates of one amplifier's array, moved to the frame it is a part of.

The transformation is linear in pixels (Greisen and Calabretta 2002, A&A 395, 1061, equations 1 and
3): where pixels are counted from another corner only CRPIXj changes, where an axis is turned round
the column of the matrix that belongs to it changes its sign as well.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from runlog.core.frame import Card

_AXIS = re.compile(
    r"(?P<name>CRPIX|CDELT)(?P<axis>[12])\Z|(?P<matrix>CD|PC)[12]_(?P<column>[12])\Z"
)
# Alternate descriptions, the IRAF way from pixels to sections, and polynomials in pixels.
_OF_ITS_PIXELS = re.compile(
    r"(?:CTYPE|CRPIX|CRVAL|CDELT|CUNIT)[12][A-Z]\Z|(?:CD|PC)[12]_[12][A-Z]\Z"
    r"|(?:LT|AT|DT)(?:V[12]|M[12]_[12])\Z|(?:A|B|AP|BP)_(?:ORDER|DMAX|[0-9]_[0-9])\Z"
)


@dataclass(frozen=True, slots=True)
class Axis:
    """How one axis of an array lies in the frame: all in pixels, counted from 0."""

    first: int  # pixel of the array that lies in the frame first, in the order of the array
    size: int
    corner: int  # pixel of the frame where the part begins
    turned: bool

    def moved(self, pixel: float) -> float:
        """Give a pixel of the array, counted from 1 as FITS does, as one of the frame."""
        within = pixel - self.first
        return self.corner + (self.size + 1 - within if self.turned else within)


def moved_wcs(cards: Iterable[Card], axes: Sequence[Axis]) -> Iterator[Card]:
    """Give the cards of an amplifier with its world coordinates in pixels of the frame."""
    cards = list(cards)
    has_pc = any(c.keyword.startswith("PC") and _AXIS.match(c.keyword) for c in cards)
    have = {card.keyword for card in cards}
    for card in cards:
        if not _OF_ITS_PIXELS.match(card.keyword):
            yield _moved(card, axes, has_pc)
    for number, axis in enumerate(axes, start=1):
        if has_pc and axis.turned and f"PC{number}_{number}" not in have:
            yield Card(f"PC{number}_{number}", -1.0, "axis turned round")


def _moved(card: Card, axes: Sequence[Axis], has_pc: bool) -> Card:
    found = _AXIS.match(card.keyword)
    value = card.value
    if found is None or isinstance(value, bool) or not isinstance(value, int | float):
        return card
    axis = axes[int(found["axis"] or found["column"]) - 1]
    if found["name"] == "CRPIX":
        return replace(card, value=axis.moved(float(value)))
    # Without PCi_j, CDELTj scales a pixel axis; with it, a world axis.
    of_pixels = found["matrix"] is not None or not has_pc
    return replace(card, value=-value) if axis.turned and of_pixels else card
