"""What a header says about the sensor: temperatures, binning, pixels, mosaic.

Sources are named where a rule follows one; everything else is common practice, no source.
"""

import re

from runlog.core.frame import Card, Shape
from runlog.core.header.cards import CardIndex, number_and_unit, text_of
from runlog.core.header.questions import Doubts

# --- temperature ---------------------------------------------------------------------------------

# Liquid nitrogen cools detectors to -90 to -200 C, in the infrared helium to 30 K (common
# practice, no source); air was never colder than -89.2 C (WMO, Vostok 1983).
_COLDEST_C = {"ambient_temperature": -90.0, "focus_temperature": -90.0}
_COLDEST_DETECTOR_C, _WARMEST_C = -250.0, 60.0
_ZERO_C_K = 273.15
_KELVIN = (150.0, 333.15)  # -123 to 60 degrees Celsius
_FAHRENHEIT = frozenset({"F", "DEG F", "DEGF", "°F", "FAHRENHEIT"})
_SAID_FAHRENHEIT = re.compile(r"\bdeg(?:rees?)?\.?\s*F\b|°\s*F\b|fahrenheit", re.IGNORECASE)


def read_temperature_c(index: CardIndex, name: str, doubts: Doubts) -> float | None:
    """Give a temperature in degrees Celsius; kelvin are recognised by unit or by size."""
    for card in index.all(name):
        found = number_and_unit(card)
        if found is None:
            continue
        if _is_kelvin(found[1], card) and found[0] <= 0:
            continue  # what is written where nothing was measured
        value_c = _to_celsius(*found, card, doubts)
        if _COLDEST_C.get(name, _COLDEST_DETECTOR_C) <= value_c <= _WARMEST_C:
            return value_c
        what = "air" if name in _COLDEST_C else "camera"
        doubts.ask("temperature", f"{card.keyword} {card.value}: no {what} is at that temperature")
    return None


def _is_kelvin(unit: str, card: Card) -> bool:
    return unit.upper() in ("K", "KELVIN") or "kelvin" in card.comment.lower()


def _to_celsius(value: float, unit: str, card: Card, doubts: Doubts) -> float:
    if _is_kelvin(unit, card):
        return value - _ZERO_C_K
    unit = unit.upper()
    if unit in _FAHRENHEIT or (not unit and _SAID_FAHRENHEIT.search(card.comment)):
        return (value - 32) / 1.8
    if not unit.startswith(("C", "DEG C", "°C", "CELSIUS")) and _KELVIN[0] <= value <= _KELVIN[1]:
        text = f"{card.keyword} {card.value} was taken as kelvin, {value - _ZERO_C_K:.1f} C"
        doubts.ask("temperature-kelvin", text)
        return value - _ZERO_C_K
    return value


# --- binning and pixels --------------------------------------------------------------------------

_PAIR = re.compile(r"([0-9]{1,2})\s*(?:[xX*:,\s×]\s*([0-9]{1,2}))?\Z")
_MOST_BINNING = 16


def read_binning(index: CardIndex, doubts: Doubts) -> tuple[int, int]:
    """Give the binning along both axes, 1 where nothing is said."""
    pair = _binning_pair(index, doubts)
    across = _binning_factor(index, "binning_x", doubts)
    down = _binning_factor(index, "binning_y", doubts)
    x = across or (pair[0] if pair else None) or down or 1
    y = down or (pair[1] if pair else None) or x
    return x, y


def _binning_factor(index: CardIndex, name: str, doubts: Doubts) -> int | None:
    found = index.number(name)
    if found is None:
        return None
    value, card = found
    if value.is_integer() and 1 <= value <= _MOST_BINNING:
        return int(value)
    doubts.ask("binning", f"{card.keyword} {card.value} is no binning; taken as 1")
    return None


def _binning_pair(index: CardIndex, doubts: Doubts) -> tuple[int, int] | None:
    for card in index.all("binning"):
        if card.value is None or isinstance(card.value, bool):
            continue
        match = _PAIR.match(text_of(card.value).strip("()[] "))
        if match and 1 <= int(match[1]) <= _MOST_BINNING:
            y = int(match[2] or match[1])
            if 1 <= y <= _MOST_BINNING:
                return int(match[1]), y
        doubts.ask("binning", f"{card.keyword} {card.value} is no binning; taken as 1")
    return None


_PHOTOSITE_UM = (1.0, 40.0)
# No deep-sky camera's photosites are smaller, so a binned size that leads below was not binned.
_SMALLEST_USUAL_UM = 1.95
_SCALE_TO_UM = {"mm": 1e3, "m": 1e6, "nm": 1e-3}


def read_pixel_um(index: CardIndex, binning_x: int, doubts: Doubts) -> float | None:
    """Give the size of one unbinned photosite in micrometres.

    PIXSIZE1 is unbinned (NOAO dictionary 1.0). XPIXSZ is after binning (SBFITSEXT 1.0) and is
    divided by the binning, unless its comment calls it unbinned or the result would be smaller
    than photosites are.
    """
    for name, binned in (("pixel_unbinned", False), ("pixel_binned", True)):
        for card in index.all(name):
            size = _size_um(card)
            if size is None:
                continue
            size = _unbinned_um(size, binning_x, card, doubts) if binned else size
            if _PHOTOSITE_UM[0] <= size <= _PHOTOSITE_UM[1]:
                return size
            doubts.ask("pixel-size", f"{card.keyword} {card.value}: no photosite has that size")
    return None


def _size_um(card: Card) -> float | None:
    found = number_and_unit(card)
    if found is None:
        return None
    value, unit = found
    scale = _SCALE_TO_UM.get(unit.lower(), 1.0)
    if not unit and 0 < value < 0.05:
        scale = 1e3 if value > 5e-4 else 1e6  # written in mm or m
    return value * scale


def _unbinned_um(size_um: float, binning_x: int, card: Card, doubts: Doubts) -> float:
    comment = card.comment.lower()
    if binning_x == 1 or "unbinned" in comment or "before binning" in comment:
        return size_um
    if size_um / binning_x < _SMALLEST_USUAL_UM <= size_um:
        text = f"{card.keyword} {size_um:g} um at bin {binning_x} was taken as already unbinned"
        doubts.ask("pixel-size", text)
        return size_um
    return size_um / binning_x


# --- colour mosaic -------------------------------------------------------------------------------

_PATTERNS = frozenset({"RGGB", "BGGR", "GRBG", "GBRG"})
_NO_MOSAIC = frozenset({"", "MONO", "MONOCHROME", "NONE", "NO", "F", "FALSE", "RGB", "0", "N"})


def read_bayer(index: CardIndex, shape: Shape, doubts: Doubts) -> str | None:
    """Give the mosaic's first two rows as stored, shifted by XBAYROFF and YBAYROFF; None for mono.

    A frame of three planes is no mosaic any more.
    """
    if shape.planes >= 3:
        return None
    for card in index.all("bayer"):
        if not isinstance(card.value, str):
            continue
        pattern = card.value.upper().replace(" ", "").replace("/", "").replace(",", "")
        if pattern in _PATTERNS:
            return _shifted(pattern, _shift(index, "bayer_shift_x"), _shift(index, "bayer_shift_y"))
        if pattern not in _NO_MOSAIC:
            doubts.ask("bayer", f"{card.keyword} {card.value} is no colour mosaic known here")
    return None


def _shift(index: CardIndex, name: str) -> int:
    found = index.number(name)
    return int(found[0]) % 2 if found is not None and found[0].is_integer() else 0


def _shifted(pattern: str, x: int, y: int) -> str:
    """Start a 2x2 pattern x columns and y rows further on."""
    rows = (pattern[:2], pattern[2:])
    return "".join(rows[(row + y) % 2][(col + x) % 2] for row in (0, 1) for col in (0, 1))
