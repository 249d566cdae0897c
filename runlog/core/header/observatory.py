"""What observatories' headers tell of a frame's kind beyond one word: category, technique, product.

HIERARCH ESO DPR CATG, TYPE and TECH: ESO's Data Interface Control Document (from memory). PRODTYPE
and PROCTYPE: the community pipelines of a survey camera (from memory). CTYPEi of a wavelength:
Greisen et al. 2006, A&A 446, 747. The names of grisms and gratings: common practice, no source.
"""

import re
from collections.abc import Iterable
from typing import NamedTuple

from runlog.core.frame import Card, Kind
from runlog.core.header.cards import CardIndex, text_of
from runlog.core.header.kind_words import kind_in_header


class KindSaid(NamedTuple):
    """A kind with what told it; `card` is the one to quote."""

    kind: Kind
    card: Card


# --- category, type and technique ------------------------------------------------------------

_SPECTRAL = frozenset(
    "SPECTRUM SPECTRA ECHELLE MOS MXU IFU LSS SLIT SLITLESS INTERFEROMETRY FIBRE FIBER".split()
)
_BY_TYPE = (
    ("BIAS", Kind.BIAS),
    ("DARK", Kind.DARK),
    ("FLAT", Kind.FLAT),
    ("FOCUS", Kind.FOCUS),
    ("WAVE", Kind.OTHER),
    ("LAMP", Kind.OTHER),
    ("ARC", Kind.OTHER),
    ("SKY", Kind.OTHER),  # the empty sky beside an object, taken to be subtracted
    ("OBJECT", Kind.LIGHT),
    ("STD", Kind.LIGHT),
)
_NEEDS_NO_LIGHT = (Kind.BIAS, Kind.DARK)


def kind_by_category(index: CardIndex) -> KindSaid | None:
    """Read ESO's DPR cards: what it was, then what through. None without them, or unknown words."""
    card = index.get("ESODPRTYPE")
    if card is None or not isinstance(card.value, str):
        return _acquisition(index)
    types, techniques = _listed(card), _listed(index.get("ESODPRTECH"))
    kind = next((kind for word, kind in _BY_TYPE if word in types), None)
    if kind in _NEEDS_NO_LIGHT:
        return KindSaid(kind, card)
    if techniques & _SPECTRAL:
        return KindSaid(Kind.OTHER, index.get("ESODPRTECH") or card)
    category = index.get("ESODPRCATG")
    if kind is not Kind.FLAT and category is not None and "ACQUISITION" in _listed(category):
        return KindSaid(Kind.FOCUS, category)
    return None if kind is None else KindSaid(kind, card)


def _acquisition(index: CardIndex) -> KindSaid | None:
    """Read OBSCLASS "acq": a look at where the telescope points (from memory)."""
    card = index.get("OBSCLASS")
    if card is None or not str(card.value).lower().startswith("acq"):
        return None
    return KindSaid(Kind.FOCUS, card)


def _listed(card: Card | None) -> frozenset[str]:
    if card is None or not isinstance(card.value, str):
        return frozenset()
    return frozenset(re.split(r"[\s,;]+", card.value.strip().upper()))


# --- products of pipelines -------------------------------------------------------------------

_NO_PICTURES = frozenset(
    "dqmask wtmap weight weights weightmap mask badpixelmask bpm expmap exposuremap invvar ivar "
    "variance sigma error confidence confmap catalog catalogue background skymap segmentation psf "
    "ancillaryweightmap".split()
)
_SUMS = frozenset("stacked stack coadd coadded coaddition".split())


def kind_by_product(index: CardIndex) -> KindSaid | None:
    """Tell the maps and masks that a pipeline writes beside a picture, and sums, from pictures."""
    for card in index.all("product"):
        word = re.sub(r"[\W_]+", "", text_of(card.value)).lower() if card.value else ""
        if word in _NO_PICTURES:
            return KindSaid(Kind.OTHER, card)
        if word in _SUMS:
            return KindSaid(Kind.STACK, card)
    return None


def master_by_product(index: CardIndex) -> KindSaid | None:
    """Read the kind of a calibration product: "MASTER_BIAS"."""
    for card in index.all("product"):
        told = kind_in_header(card.value) if isinstance(card.value, str) else None
        if told is not None and told[1]:
            return KindSaid(told[0], card)
    return None


# --- spectra ---------------------------------------------------------------------------------

_WAVES = frozenset(
    "WAVE AWAV WAVN FREQ ENER VELO VRAD VOPT ZOPT LAMBDA WAVELENGTH MULTISPE".split()
)
_LENGTHS = ("angstrom", "angstroms", "nm", "um", "micron", "microns")
# What stands in a disperser's card when the light goes straight through.
_STRAIGHT = re.compile(
    r"(?:open|clear|free|empty|none|out|mirror|no|not|un|home|blank|hole|imag|direct|park|off|air|"
    r"n/?a\b|0*\Z|-+\Z|\?|false|f\Z|flat\b|null|stow)",
    re.IGNORECASE,
)
_MODES = re.compile(r"(?:long ?slit|spec|echelle|mos\b|ifu\b|multi-?object)", re.IGNORECASE)


def spectrum_card(index: CardIndex) -> Card | None:
    """Give the card that tells that light was spread into a spectrum; None for a picture."""
    pictured = "IMAGE" in _listed(index.get("ESODPRTECH"))
    return next((c for c in _spectral(index) if c is not None), None) if not pictured else None


def _spectral(index: CardIndex) -> Iterable[Card | None]:
    yield from (_wave_axis(index, axis) for axis in (1, 2))
    for card in index.all("disperser"):
        if isinstance(card.value, str) and not _STRAIGHT.match(card.value.strip(" <([")):
            yield card
    for card in index.all("observing_mode"):
        if isinstance(card.value, str) and _MODES.match(card.value.strip()):
            yield card


def _wave_axis(index: CardIndex, axis: int) -> Card | None:
    card, unit = index.get(f"CTYPE{axis}"), index.get(f"CUNIT{axis}")
    if card is None or not isinstance(card.value, str):
        return None
    kind = card.value.strip().upper().partition("-")[0]
    in_waves = unit is not None and str(unit.value).strip().lower() in _LENGTHS
    if kind in _WAVES or (kind in ("LINEAR", "PIXEL", "") and in_waves):
        return card
    return None
