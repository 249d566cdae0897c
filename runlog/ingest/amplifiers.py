"""Raw frames whose amplifiers were stored one by one: how they lie, and the frame they make.

Sections are "[x1:x2,y1:y2]" in pixels from 1; they run backwards where the read-out was flipped.
DETSEC is where an amplifier's light-sensitive pixels lie on the detector (in unbinned pixels),
DATASEC (else TRIMSEC) which pixels of its own array those are, BIASSEC which hold its overscan,
CCDSUM the binning (NOAO FITS Keyword Dictionary 1.0, from memory).

Each amplifier adds a zero level of its own. Its overscan tells it: the amplifiers are brought to
the median of their levels, so that the frame has no seams and keeps raw values. Their gains are
left alone: what differs by them is the flat field's to take out.
"""

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from runlog.core.failures import NOT_SUPPORTED
from runlog.core.frame import Card
from runlog.errors import FrameError
from runlog.ingest.amplifier_wcs import Axis, moved_wcs
from runlog.ingest.layout import Unit

Array = np.ndarray[Any, Any]

_SECTION = re.compile(r"\[\s*(\d{1,9})\s*:\s*(\d{1,9})\s*,\s*(\d{1,9})\s*:\s*(\d{1,9})\s*\]\Z")
_BINNING = re.compile(r"(\d{1,3})\s*[ xX,]\s*(\d{1,3})\Z")
SECTIONS = ("DETSEC", "DATASEC", "BIASSEC", "AMPSEC")
# Names of what lies over an image, not beside it (common practice, no source).
_LAYER = re.compile(
    r"(?:ERR|DQ|MASK|WHT|WEIGHT|WGT|BPM|BADPIX|VAR|IVAR|UNC|SIGMA|NOISE|CONF|EXP(?:MAP|TIME)?"
    r"|SKY|BACK|BKG|MODEL|RESID|FLAGS?|QUAL|OBJMASK|SEGM(?:ASK|AP)|CTX|COV|SAMP|TIME|STD)"
    r"[A-Z]*[ _-]?[0-9]*\Z"
)
_OF_ONE_PART = frozenset("DATASEC BIASSEC TRIMSEC AMPSEC EXTNAME EXTVER".split())
_MADE = frozenset(
    "XTENSION BITPIX NAXIS NAXIS1 NAXIS2 PCOUNT GCOUNT BZERO BSCALE BLANK CHECKSUM DATASUM".split()
)


@dataclass(frozen=True, slots=True)
class Span:
    """A section along one axis: first and last pixel from 0, and whether it runs backwards."""

    low: int
    high: int
    backwards: bool

    @property
    def size(self) -> int:
        """Give the number of pixels."""
        return self.high - self.low + 1

    @property
    def slice(self) -> slice:
        """Give the pixels in the order of the axis."""
        return slice(self.low, self.high + 1)


@dataclass(frozen=True, slots=True)
class Amplifier:
    """One amplifier's array and its place in the frame, x before y, in pixels of the frame."""

    unit: Unit
    data: tuple[Span, Span]
    bias: tuple[Span, Span] | None
    corner: tuple[int, int]
    flipped: tuple[bool, bool]


@dataclass(frozen=True, slots=True)
class Mosaic:
    """Amplifiers that make up one frame."""

    amplifiers: tuple[Amplifier, ...]
    width: int
    height: int
    bitpix: int
    section: str  # where it lies on the detector, as DETSEC says it


def may_be_part(unit: Unit) -> bool:
    """Tell whether an image looks like one of several that lie beside one another."""
    name = str(unit.values.get("EXTNAME") or "").strip().upper()
    if _LAYER.match(name):
        return False
    return unit.values.get("EXTVER") is not None or any(unit.values.get(s) for s in SECTIONS)


def parts_of(images: Sequence[Unit], primary: Unit) -> list[Unit]:
    """Choose the images that are parts of one frame; none where the first stands for itself.

    Without sections of their own they are parts when they are alike, by name, size and type, and
    the file speaks of sections or each image of its own amplifier (CCDSUM, GAIN) all the same.
    """
    parts = [unit for unit in images if may_be_part(unit)]
    sectioned = [unit for unit in parts if any(unit.values.get(s) for s in SECTIONS)]
    if len(sectioned) > 1:
        return [] if _are_layers(parts) else parts
    if not any(name in primary.values for name in SECTIONS) and not all(map(_has_amplifier, parts)):
        return []
    alike = Counter((unit.values.get("EXTNAME"), unit.axes, unit.bitpix) for unit in parts)
    return parts if parts and max(alike.values()) == len(parts) > 1 else []


def _has_amplifier(unit: Unit) -> bool:
    return any(name in unit.values for name in ("CCDSUM", "GAIN", "AMPNAME"))


def _are_layers(parts: Sequence[Unit]) -> bool:
    """Tell images that lie on one another, as data and errors do: one place, other names."""
    if len({unit.values.get("DETSEC") for unit in parts}) > 1:
        return False
    if _spans(parts[0].values.get("DETSEC")) is None or any(map(_overscan, parts)):
        return False
    names = {unit.values.get("EXTNAME") for unit in parts}
    return len(names) == len(parts) or len({unit.bitpix for unit in parts}) > 1


# --- how they lie ---------------------------------------------------------------------------


def lay_out(parts: Sequence[Unit], primary: Unit) -> Mosaic:
    """Find out how amplifiers lie beside one another.

    Raises
    ------
    FrameError
        Where nothing says it, or what is said does not fit together.
    """
    placed = [(unit, _spans(unit.values.get("DETSEC"))) for unit in parts]
    silent = next((unit for unit, place in placed if place is None), None)
    if silent is not None:
        raise _refused(
            parts, f", and nothing says how they lie beside one another (no DETSEC in image "
            f"{silent.number})"
        )  # fmt: skip
    known = [(unit, place) for unit, place in placed if place is not None]
    origin = tuple(min(place[axis].low for _, place in known) for axis in (0, 1))
    found = [_amplifier(unit, place, origin, parts, primary) for unit, place in known]
    sizes = [max(a.corner[axis] + a.data[axis].size for a in found) for axis in (0, 1)]
    _check_cover(found, sizes, parts)
    if len({unit.bitpix for unit in parts}) > 1:
        raise _refused(parts, " of several types (BITPIX)")
    ends = [max(place[axis].high for _, place in known) for axis in (0, 1)]
    section = ",".join(f"{low + 1}:{high + 1}" for low, high in zip(origin, ends, strict=True))
    return Mosaic(tuple(found), sizes[0], sizes[1], parts[0].bitpix, f"[{section}]")


def _refused(parts: Sequence[Unit], why: str) -> FrameError:
    return FrameError(f"holds {len(parts)} images (amplifiers){why}: {NOT_SUPPORTED}")


def _spans(value: object) -> tuple[Span, Span] | None:
    found = _SECTION.match(str(value or "").strip())
    if found is None or not all(int(number) for number in found.groups()):
        return None
    x1, x2, y1, y2 = (int(number) - 1 for number in found.groups())
    return (
        Span(min(x1, x2), max(x1, x2), x1 > x2),
        Span(min(y1, y2), max(y1, y2), y1 > y2),
    )


def _amplifier(
    unit: Unit,
    place: tuple[Span, Span],
    origin: tuple[int, ...],
    parts: Sequence[Unit],
    primary: Unit,
) -> Amplifier:
    unfit = _refused(parts, f" whose sections do not fit together (DETSEC of image {unit.number})")
    if len([size for size in unit.axes if size != 1]) > 2 or len(unit.axes) < 2:
        raise _refused(parts, f", and image {unit.number} is not flat")
    data = _data_section(unit, place, primary)
    if data is None:
        raise unfit
    corner = []
    for axis in (0, 1):
        offset, binning = place[axis].low - origin[axis], place[axis].size // data[axis].size
        if offset % binning:
            raise unfit
        corner.append(offset // binning)
    return Amplifier(
        unit,
        data,
        _overscan(unit),
        (corner[0], corner[1]),
        (place[0].backwards != data[0].backwards, place[1].backwards != data[1].backwards),
    )


def _data_section(unit: Unit, place: tuple[Span, Span], primary: Unit) -> tuple[Span, Span] | None:
    """Choose which pixels lie at a place: DATASEC, else TRIMSEC, else all; what fits its size."""
    whole = (Span(0, unit.axes[0] - 1, False), Span(0, unit.axes[1] - 1, False))
    said = (_inside(_spans(unit.values.get(name)), unit) for name in ("DATASEC", "TRIMSEC"))
    binning = _binning(unit) or _binning(primary)
    for section in (*said, whole):
        if section is None:
            continue
        (across, x_left), (up, y_left) = (
            divmod(span.size, own.size) for span, own in zip(place, section, strict=True)
        )
        if x_left == y_left == 0 and across and up and binning in (None, (across, up)):
            return section
    return None


def _overscan(unit: Unit) -> tuple[Span, Span] | None:
    return _inside(_spans(unit.values.get("BIASSEC")), unit)


def _inside(section: tuple[Span, Span] | None, unit: Unit) -> tuple[Span, Span] | None:
    """Give a section of an amplifier's own array; None where it reaches out of it."""
    fits = section and all(span.high < size for span, size in zip(section, unit.axes, strict=False))
    return section if fits else None


def _binning(unit: Unit) -> tuple[int, int] | None:
    found = _BINNING.match(str(unit.values.get("CCDSUM") or "").strip())
    return (int(found[1]), int(found[2])) if found else None


def _check_cover(
    amplifiers: Sequence[Amplifier], sizes: Sequence[int], parts: Sequence[Unit]
) -> None:
    """Refuse amplifiers that overlap or leave a part of the frame empty."""
    boxes = [
        (*a.corner, a.corner[0] + a.data[0].size, a.corner[1] + a.data[1].size) for a in amplifiers
    ]
    for i, (x0, y0, x1, y1) in enumerate(boxes):
        for a0, b0, a1, b1 in boxes[:i]:
            if x0 < a1 and a0 < x1 and y0 < b1 and b0 < y1:
                raise _refused(parts, " that overlap on the detector, by their DETSEC")
    covered = sum(a.data[0].size * a.data[1].size for a in amplifiers)
    if covered != sizes[0] * sizes[1]:
        raise _refused(parts, " that leave gaps on the detector, by their DETSEC")


# --- the frame they make --------------------------------------------------------------------


def assemble(mosaic: Mosaic, read: Callable[[Unit], Array]) -> tuple[Array, float | None]:
    """Put amplifiers together; gives the frame (h, w) and the zero level they share, in ADU.

    The level is the median over amplifiers of the median of each one's overscan; None, and
    nothing is moved, where one of them has no overscan.
    """
    frame: Array | None = None
    levels: list[float | None] = []
    boxes = []
    for amplifier in mosaic.amplifiers:
        array = read(amplifier.unit).reshape(amplifier.unit.axes[1], amplifier.unit.axes[0])
        levels.append(_level(array, amplifier.bias))
        x, y = amplifier.data
        part = array[y.slice, x.slice]
        part = part[:: -1 if amplifier.flipped[1] else 1, :: -1 if amplifier.flipped[0] else 1]
        if frame is None:
            frame = np.empty((mosaic.height, mosaic.width), array.dtype)
        left, low = amplifier.corner
        boxes.append((slice(low, low + y.size), slice(left, left + x.size)))
        frame[boxes[-1]] = part
    assert frame is not None
    known = [level for level in levels if level is not None]
    if len(known) < len(levels):
        return frame, None
    common = float(np.median(known))
    for box, level in zip(boxes, known, strict=True):
        _move(frame[box], common - level)
    return frame, common


def _level(array: Array, bias: tuple[Span, Span] | None) -> float | None:
    """Give the median of an amplifier's overscan."""
    if bias is None:
        return None
    level = float(np.median(array[bias[1].slice, bias[0].slice]))
    return level if np.isfinite(level) else None


def _move(part: Array, by: float) -> None:
    """Add a level in place; integers stay whole and do not run over: full stays full."""
    if part.dtype.kind == "f":
        part += part.dtype.type(by)
        return
    limits, step = np.iinfo(part.dtype), round(by)
    full = part == limits.max
    low, high = limits.min + max(-step, 0), limits.max - max(step, 0)
    np.clip(part, low, high, out=part)
    if step >= 0:
        part += part.dtype.type(step)
    else:
        part -= part.dtype.type(-step)
    part[full] = limits.max


def mosaic_cards(
    mosaic: Mosaic, primary: Sequence[Card], first: Sequence[Card], level_adu: float | None
) -> tuple[Card, ...]:
    """Write the header of the frame that amplifiers make.

    The primary header speaks, then the first amplifier's; what is said of an array or of one
    amplifier alone gives way to what holds for the whole, its world coordinates are moved.
    """
    given = {card.keyword: card for card in (*first, *primary)}
    first = list(moved_wcs(first, _axes(mosaic.amplifiers[0])))
    whole = [
        Card("SIMPLE", True, ""),
        Card("BITPIX", mosaic.bitpix, ""),
        Card("NAXIS", 2, ""),
        Card("NAXIS1", mosaic.width, f"of {len(mosaic.amplifiers)} amplifiers put together"),
        Card("NAXIS2", mosaic.height, ""),
        Card("DETSEC", mosaic.section, ""),
        *_means(mosaic, primary, given),
    ]
    if level_adu is not None:  # what to add to reach zero light (SBFITSEXT 1.0)
        whole.append(Card("PEDESTAL", -level_adu, "median level of the overscan"))
    have = {card.keyword for card in whole} | _OF_ONE_PART | _MADE
    own = [card for card in primary if card.keyword not in have]
    have |= {card.keyword for card in own} | {"CCDSEC"}
    return (*whole, *own, *(card for card in first if card.keyword not in have))


def _axes(amplifier: Amplifier) -> list[Axis]:
    return [
        Axis(data.low, data.size, corner, turned)
        for data, corner, turned in zip(
            amplifier.data, amplifier.corner, amplifier.flipped, strict=True
        )
    ]


def _means(mosaic: Mosaic, primary: Sequence[Card], given: Mapping[str, Card]) -> list[Card]:
    """Average what each amplifier says of itself, unless the primary header speaks for all."""
    said = {c.keyword for c in primary if isinstance(c.value, int | float) and c.value > 0}
    found = []
    for name in sorted({"GAIN", "RDNOISE"} - said):
        values = [a.unit.values.get(name) for a in mosaic.amplifiers]
        numbers = [float(v) for v in values if isinstance(v, int | float) and v > 0]
        if len(numbers) == len(values):
            mean = round(float(np.mean(numbers)), 6)
            found.append(Card(name, mean, f"{given[name].comment} (mean of amplifiers)"))
    return found
