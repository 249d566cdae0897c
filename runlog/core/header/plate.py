"""How much sky a stored pixel covers, and what in a header tells it.

In order of trust: the world coordinates, which stars were measured for and which belong to the
pixels as stored; focal length and pixel size, times the binning; a card that gives the scale. Those
further back only check the first. Keywords of scales are common practice, no source.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.header.questions import Doubts
from runlog.core.header.world import POSSIBLE_ARCSEC, axis_kind, pixel_matrix
from runlog.core.sky.plate_scale import matrix_scale, plate_scale_arcsec

_CELESTIAL = ("RA", "DEC", "GLON", "GLAT", "ELON", "ELAT", "SLON", "SLAT")
_AGREE = 0.05  # nominal focal lengths are seldom nearer
_PER_MM = re.compile(r"(?:/|per)\s*mm|mm\s*(?:-1|\^-1)", re.IGNORECASE)
_LENGTH = re.compile(r"(?<![a-z])(?:[uµmn]?m|microns?)\s*(?:/|per)\s*pix", re.IGNORECASE)
_OF_IMAGE = re.compile(r"arc|sec|pix|\"|″|scale", re.IGNORECASE)


class Optics(NamedTuple):
    """What else tells the scale: focal length, unbinned pixel and binning."""

    focal_mm: float | None
    pixel_um: float | None
    binning: int

    @property
    def arcsec(self) -> float | None:
        """Arc seconds a stored pixel, where both lengths are known."""
        if not self.focal_mm or not self.pixel_um:
            return None
        return plate_scale_arcsec(self.pixel_um * self.binning, self.focal_mm)


def read_scale_arcsec(index: CardIndex, optics: Optics, doubts: Doubts) -> float | None:
    """Give the arc seconds a stored pixel covers; None where nothing tells it."""
    by_sky, by_optics, by_card = _by_sky(index), optics.arcsec, _by_card(index, optics)
    believed = by_sky or by_optics
    if believed is None:
        return None if by_card is None else _card_alone(*by_card, optics.binning, doubts)
    told = ("world coordinates" if by_sky else "focal length and pixel size", believed)
    if by_sky and by_optics:
        _compare(told, ("focal length and pixel size", by_optics), doubts)
    # A card may be of the unbinned pixel: then it agrees all the same.
    elif by_card is not None and not _near(believed, by_card[0] * optics.binning):
        _compare(told, (by_card[1].keyword, by_card[0]), doubts)
    return believed


def _card_alone(value: float, card: Card, binning: int, doubts: Doubts) -> float:
    if binning > 1 and "binned" not in card.comment.lower():
        text = f"{card.keyword} {value:.3g} was taken as of the stored pixel, at bin {binning}"
        doubts.ask("plate-scale", text)
    return value


def _near(a: float, b: float) -> bool:
    return abs(a / b - 1) <= _AGREE


def _compare(believed: tuple[str, float], other: tuple[str, float], doubts: Doubts) -> None:
    if _near(believed[1], other[1]):
        return
    text = (
        f"by {believed[0]} a pixel is {believed[1]:.3g}″, by {other[0]} {other[1]:.3g}″; "
        "the first is believed"
    )
    doubts.ask("plate-scale", text)


def _possible(arcsec: float) -> float | None:
    return arcsec if POSSIBLE_ARCSEC[0] <= arcsec <= POSSIBLE_ARCSEC[1] else None


# --- world coordinates ----------------------------------------------------------------------


def _by_sky(index: CardIndex) -> float | None:
    """Give the scale of the world coordinates, where both axes are of the sky."""
    if not all(axis_kind(index, axis) in _CELESTIAL for axis in (1, 2)):
        return None
    matrix = pixel_matrix(index)
    return None if matrix is None else _possible(matrix_scale(matrix))


# --- cards that give the scale --------------------------------------------------------------


def _by_card(index: CardIndex, optics: Optics) -> tuple[float, Card] | None:
    return next(_scales(index, optics), None)


def _scales(index: CardIndex, optics: Optics) -> Iterator[tuple[float, Card]]:
    for card in index.all("plate_scale"):
        found = number_and_unit(card)
        if found is None or not _speaks_of_it(card):
            continue
        value = abs(found[0]) * _pixel_factor(card, found[1], optics)
        if _possible(value) is not None:
            yield value, card
    for card in index.all("plate_scale_mm"):
        found = number_and_unit(card)
        if found is None:
            continue
        of_pixel = "pix" in f"{found[1]} {card.comment}".lower()
        value = abs(found[0]) * (1.0 if of_pixel else _mm_a_pixel(optics))
        if _possible(value) is not None:
            yield value, card


def _mm_a_pixel(optics: Optics) -> float:
    return (optics.pixel_um or 0.0) * optics.binning / 1000


def _speaks_of_it(card: Card) -> bool:
    """Tell a plate scale from other scales: a bare SCALE has to say what it is of.

    Some give the size of the pixel, in micrometres or metres a pixel.
    """
    if _LENGTH.search(f"{card.comment} {card.value}"):
        return False
    if card.keyword.upper() not in ("SCALE", "IMSCALE"):
        return True
    return _OF_IMAGE.search(f"{card.comment} {card.value}") is not None


def _pixel_factor(card: Card, unit: str, optics: Optics) -> float:
    """Give what turns a card's number into arc seconds a stored pixel."""
    said = f"{unit} {card.comment}"
    if _PER_MM.search(said):
        return _mm_a_pixel(optics)
    if unit.lower().startswith("deg"):
        return 3600.0
    return float(optics.binning) if "unbinned" in said.lower() else 1.0
