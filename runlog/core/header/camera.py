"""What a header says about the camera: exposure, temperatures, gain, binning, pixels, mosaic.

Sources are named where a rule follows one; everything else is common practice, no source.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

from runlog.core.frame import Card, Shape
from runlog.core.header.cards import CardIndex, comment_unit, number_and_unit, text_of
from runlog.core.header.questions import Doubts

# --- exposure ------------------------------------------------------------------------------------

_SECONDS = {
    "": 1.0, "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisec": 1e-3, "milliseconds": 1e-3, "millisecond": 1e-3,
    "us": 1e-6, "µs": 1e-6, "usec": 1e-6, "microsec": 1e-6, "microseconds": 1e-6,
    "microsecond": 1e-6,
    "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0,
}  # fmt: skip
_UNIT = "|".join(sorted(filter(None, _SECONDS), key=len, reverse=True))
# A unit said as one: behind "in" ("in h" may be a filter), alone in brackets, or alone; else only
# as a word that can be nothing else ("min" may be a minimum), and not as the length of something
# ("5 minutes after").
_UNIT_SAID = re.compile(
    rf"\b(?:in|units?:?) (?!h\b|mins?\b *[^ ,;)\]])(?P<a>{_UNIT})\b"
    rf"|[\[(] *(?P<b>{_UNIT})\.? *[\])]|^ *(?P<c>{_UNIT})\.? *$"
    r"|\b(?P<d>millisec(?:onds?)?|msec|microsec(?:onds?)?|usec)\b"
    r"|(?<![\d.])(?<!\d[ -])(?<!few )(?<!every )\b(?P<e>seconds|minutes|hours)\b"
    r"(?! *(?:after|before|since|past|ago|from|later|bins?)\b)"
)
_FRACTION = re.compile(r"([0-9]+)\s*/\s*([0-9]+)\s*s?\Z")
_LONGEST_S = 86_400.0
_REQUESTED = "EXPREQ"
# Two cards of one exposure this many times apart are in other units, not other lengths.
_UNIT_RATIOS = (1e3, 1e6)
_SHORTEST_SUM_S = 30.0
_MOST_SUMMED = 999.5  # a thousand times is another unit


class Exposure(NamedTuple):
    """Open-shutter time; where a header gives a sum and a single length, how many were summed."""

    seconds: float | None = None
    sum_of: int | None = None


def read_exposure(index: CardIndex, doubts: Doubts) -> Exposure:
    """Give the exposure in seconds; zero is given as zero, for a bias frame may have it."""
    every = list(_lengths(index))
    telling = [length for length in every if _says_something(length)]
    first = (length for length in (*telling, *every) if _believable_length(*length, doubts))
    found = next(first, None)
    if found is None:
        return Exposure()
    seconds, card = found
    total = next(((s, c) for c in index.all("total_exposure") if (s := _length_s(c, 1.0))), None)
    sum_of = _sum_of(total[0], seconds) if total else None
    behind = telling[telling.index(found) + 1 :] if found in telling else []
    for other_s, other in behind:
        if abs(seconds - other_s) > _slack_s(seconds):
            return _settle(Exposure(seconds, sum_of), card, other_s, other, doubts)
    return Exposure(seconds, sum_of)


def _says_something(length: tuple[float, Card]) -> bool:
    """Tell a length from a zero nobody filled in and from one that was only asked for."""
    return length[0] != 0 and length[1].keyword.upper() != _REQUESTED


def _slack_s(seconds: float) -> float:
    return max(0.1, 0.01 * seconds)


def _settle(taken: Exposure, card: Card, other_s: float, other: Card, doubts: Doubts) -> Exposure:
    """Tell why two cards give different lengths: other units, a sum, or nobody knows."""
    seconds = taken.seconds or 0.0
    if any(_times(other_s, seconds, ratio) for ratio in _UNIT_RATIOS):
        return taken  # the same length in smaller units
    text = f"{card.keyword} says {seconds:g} s, {other.keyword} {other_s:g} s"
    if any(_times(seconds, other_s, ratio) for ratio in _UNIT_RATIOS):
        doubts.ask("exposure-disagrees", f"{text}: the first must be in smaller units")
        return Exposure(other_s, taken.sum_of)
    sum_of = taken.sum_of or _sum_of(seconds, other_s)
    if sum_of is None:
        doubts.ask("exposure-disagrees", text)
    return Exposure(seconds, sum_of)


def _times(larger_s: float, smaller_s: float, ratio: float) -> bool:
    return smaller_s > 0 and abs(larger_s / smaller_s / ratio - 1) < 0.01


def _sum_of(total_s: float, single_s: float) -> int | None:
    """Tell how many single exposures a total is the sum of; None where it is not one."""
    if single_s <= 0 or total_s < _SHORTEST_SUM_S:
        return None
    ratio = total_s / single_s
    if not 1.5 < ratio < _MOST_SUMMED:
        return None
    times = round(ratio)
    # 60 is as likely minutes against seconds.
    return times if times != 60 and _times(total_s, single_s, times) else None


def _lengths(index: CardIndex) -> Iterator[tuple[float, Card]]:
    for name, scale in (("exposure", 1.0), ("exposure_ms", 1e-3), ("exposure_us", 1e-6)):
        for card in index.all(name):
            seconds = _length_s(card, scale)
            if seconds is not None:
                yield seconds, card


def _length_s(card: Card, scale: float) -> float | None:
    fraction = _FRACTION.match(card.value) if isinstance(card.value, str) else None
    if fraction:
        return int(fraction[1]) / int(fraction[2]) if int(fraction[2]) else None
    found = number_and_unit(card)
    if found is None:
        return None
    value, unit = found
    if scale != 1.0:
        return value * scale
    factor = _SECONDS.get(unit.lower()) if unit else None
    return value * (factor or _seconds_said(card.comment))


def _seconds_said(comment: str) -> float:
    """Give the seconds in the one unit a comment names; 1 where it names none or several."""
    found = _UNIT_SAID.finditer(comment.lower()) if comment else ()
    said = {_SECONDS[next(filter(None, match.groups()))] for match in found}
    return said.pop() if len(said) == 1 else 1.0


def _believable_length(seconds: float, card: Card, doubts: Doubts) -> bool:
    if 0 <= seconds <= _LONGEST_S:
        return True
    doubts.ask("exposure", f"{card.keyword} {card.value} is no exposure time")
    return False


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


# --- gain, offset, levels ------------------------------------------------------------------------

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
