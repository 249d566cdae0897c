"""What a header says about the camera's gain, offset and levels.

Sources are named where a rule follows one; everything else is common practice, no source.
"""

import re
from typing import NamedTuple

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, comment_unit, number_and_unit
from runlog.core.header.questions import Doubts

_ELECTRONS = re.compile(r"(?<![a-z])e-?\s*(?:/|per)\s*(?:adu|dn|count)|electron|photo-?e", re.I)
_MOST_E_ADU = 100.0
_SETTING_ABOVE = 10.0


class Gain(NamedTuple):
    """The camera's gain setting (unitless) and the conversion gain in electrons per ADU."""

    setting: float | None = None
    e_adu: float | None = None


def read_gain(index: CardIndex, doubts: Doubts) -> Gain:
    """Tell the gain setting from electrons per ADU.

    EGAIN is electrons per ADU (SBFITSEXT 1.0). GAIN is electrons per ADU where its comment says so
    or where it equals EGAIN (NOAO dictionary 1.0), and also where it is a broken number below 10
    without another word, which is questioned; otherwise it is the camera's setting.
    """
    e_adu = _e_adu(index, doubts)
    found = index.number("gain")
    if found is None:
        return Gain(None, e_adu)
    value, card = found
    if value < 0:
        doubts.ask("gain", f"{card.keyword} {value:g} is negative")
        return Gain(None, e_adu)
    if _ELECTRONS.search(card.comment) or _ELECTRONS.search(comment_unit(card.comment)):
        return _gain_in_electrons(value, e_adu, card, doubts)
    if e_adu is not None:
        # Written twice: equal numbers are one thing, and no setting equals its own conversion.
        same = abs(value - e_adu) <= 0.01 * e_adu and not value.is_integer()
        return Gain(None if same else value, e_adu)
    if value.is_integer() or value >= _SETTING_ABOVE:
        return Gain(value, None)
    text = f"{card.keyword} {value:g} may be a setting or electrons per ADU; taken as the latter"
    doubts.ask("gain", text)
    return Gain(None, value or None)


def _gain_in_electrons(value: float, e_adu: float | None, card: Card, doubts: Doubts) -> Gain:
    if e_adu is not None and abs(value - e_adu) > 0.05 * e_adu:
        text = (
            f"{card.keyword} says {value:g} electrons per ADU, another card {e_adu:g}; "
            "the latter is believed"
        )
        doubts.ask("gain", text)
        return Gain(None, e_adu)
    if not 0 < value <= _MOST_E_ADU:
        text = f"{card.keyword} {value:g} cannot be electrons per ADU; taken as a setting"
        doubts.ask("gain", text)
        return Gain(value, e_adu)
    return Gain(None, e_adu or value)


def _e_adu(index: CardIndex, doubts: Doubts) -> float | None:
    for card in index.all("egain"):
        found = number_and_unit(card)
        if found is None:
            continue
        if 0 < found[0] <= _MOST_E_ADU:
            return found[0]
        doubts.ask("egain", f"{card.keyword} {card.value} cannot be electrons per ADU")
    return None


def read_offset(index: CardIndex) -> float | None:
    """Give the camera's offset (black level) setting."""
    found = index.number("offset")
    return None if found is None or found[0] < 0 else found[0]


def read_pedestal_adu(index: CardIndex, doubts: Doubts) -> float | None:
    """Give the level to subtract; PEDESTAL is what to add to reach zero (SBFITSEXT 1.0)."""
    found = index.number("pedestal")
    if found is None:
        return None
    value, card = found
    if value > 0:
        text = f"{card.keyword} {value:g} would put no light below zero; taken as the level itself"
        doubts.ask("pedestal", text)
    return abs(value)


def read_saturation_adu(index: CardIndex) -> float | None:
    """Give the level at which pixels clip.

    DATAMAX is the largest value in most files (FITS Standard 4.0, section 4.4.2.5), so it counts
    only where its comment speaks of saturation or it is full scale, 2^n - 1.
    """
    found = index.number("saturation")
    if found is not None and found[0] > 0:
        return found[0]
    found = index.number("data_max")
    if found is None or found[0] <= 0:
        return None
    value, card = found
    full_scale = value in _FULL_SCALES
    return value if full_scale or "satur" in card.comment.lower() else None


_FULL_SCALES = frozenset(float(2**bits - 1) for bits in (8, 10, 12, 14, 16))


def read_noise_e(index: CardIndex) -> float | None:
    """Give the read noise in electrons."""
    found = index.number("read_noise")
    return found[0] if found is not None and 0 < found[0] < 1000 else None
