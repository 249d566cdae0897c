"""Which images a FITS file promises: headers are read, pixels are not.

Structure and sizes by the FITS Standard 4.0, sections 3 and 4.4 (headers in blocks of 2880 bytes,
80 bytes a card, END) and 10.1 (images packed in tiles).
"""

import math
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from runlog.core.failures import AGAINST_STANDARD, NOT_SUPPORTED
from runlog.errors import FrameError
from runlog.ingest.stream import Stream

BLOCK = 2880
CARD = 80
MOST_HEADER_BYTES = 4 << 20  # 52,000 cards
MOST_HEADERS_BYTES = 32 << 20  # of all units: a thousand of common size
MOST_UNITS = 1000
BITPIX = (8, 16, 32, 64, -32, -64)

Value = str | int | float | bool | None

# What the layout hangs on, and what says how images lie beside one another.
_WANTED = re.compile(
    rb"(SIMPLE|XTENSION|BITPIX|NAXIS[0-9]*|[PG]COUNT|GROUPS|BZERO|BSCALE|BLANK|THEAP|TFIELDS"
    rb"|TFORM[0-9]+|TTYPE[0-9]+|Z[A-Z]+[0-9]*|EXTNAME|EXTVER|(?:DET|DATA|TRIM|BIAS|AMP)SEC"
    rb"|AMPNAME|CCDSUM|GAIN|RDNOISE) *="
)
_STRING = re.compile(r"\s*'((?:[^']|'')*)'?")
_INTEGER = re.compile(r"[+-]?[0-9]{1,30}\Z")
_FLOAT = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?\Z")
_SIZES = re.compile(r"(?:BITPIX|NAXIS[0-9]*|[PG]COUNT)\Z")
_STRUCTURE = re.compile(
    r"(?:XTENSION|Z?BITPIX|Z?NAXIS[0-9]*|[PG]COUNT|TFIELDS|TFORM[0-9]+|TTYPE[0-9]+|THEAP|ZIMAGE"
    r"|ZCMPTYPE|ZTILE[0-9]+|ZNAME[0-9]+|ZVAL[0-9]+)\Z"
)


@dataclass(frozen=True, slots=True)
class Unit:
    """A header and the place of the data that follow it (the standard says HDU)."""

    number: int  # 0 is the primary one
    header: bytes
    values: Mapping[str, Value]  # of the keywords wanted, the first of each
    start: int  # where its data begin
    data_bytes: int

    @property
    def end(self) -> int:
        """Give where the next unit begins."""
        return self.start + -(-self.data_bytes // BLOCK) * BLOCK

    @property
    def tiled(self) -> bool:
        """Tell whether it is a table that holds an image packed in tiles."""
        return self.values.get("XTENSION") == "BINTABLE" and self.values.get("ZIMAGE") is True

    @property
    def has_image(self) -> bool:
        """Tell whether it is an image of at least one pixel."""
        if self.tiled:
            return True
        plain = self.values.get("XTENSION", "IMAGE") in ("IMAGE", "IUEIMAGE")
        return plain and bool(self.data_bytes)

    @property
    def axes(self) -> tuple[int, ...]:
        """Give the image's sizes, the one that runs fastest first."""
        return _axes(self.values, "Z" if self.tiled else "")

    @property
    def bitpix(self) -> int:
        """Give the type of the image's values."""
        return _bitpix(self.values, "ZBITPIX" if self.tiled else "BITPIX")

    @property
    def image_bytes(self) -> int:
        """Give the size of the image, unpacked."""
        return math.prod(self.axes) * abs(self.bitpix) // 8


def units(stream: Stream, most_skipped: int) -> Iterator[Unit]:
    """Read a file's headers one after the other, passing over the data between them.

    `most_skipped` bytes at most are unpacked to get from one to the next.
    """
    unit = _read_unit(stream, 0)
    headers_bytes = 0
    while unit is not None:
        yield unit
        headers_bytes += len(unit.header)
        if headers_bytes > MOST_HEADERS_BYTES:
            raise FrameError(
                f"has headers of more than {MOST_HEADERS_BYTES >> 20} MB: {NOT_SUPPORTED}"
            )
        if stream.packed and unit.end > most_skipped:
            raise FrameError(
                f"unpacks to more than {most_skipped / 1e6:.0f} MB before all its images are "
                f"found: {NOT_SUPPORTED}"
            )
        if unit.number + 1 >= MOST_UNITS:
            raise FrameError(f"has more than {MOST_UNITS} parts: {NOT_SUPPORTED}")
        stream.go_to(unit.end)
        unit = _read_unit(stream, unit.number + 1)


def _read_unit(stream: Stream, number: int) -> Unit | None:
    header = _header_bytes(stream, number)
    if header is None:
        return None
    values = _values(header)
    if number == 0 and values.get("SIMPLE") is not True:
        raise FrameError(f"says that it is not standard FITS (SIMPLE is not T): {NOT_SUPPORTED}")
    return Unit(number, header, values, stream.at, _data_bytes(values))


def _header_bytes(stream: Stream, number: int) -> bytes | None:
    """Read a header up to its END; None where no further unit follows."""
    blocks: list[bytes] = []
    while len(blocks) * BLOCK < MOST_HEADER_BYTES:
        block = stream.read(BLOCK)
        if number and not blocks and not block.startswith(b"XTENSION"):
            return None  # the end, or whatever else follows
        blocks.append(block)
        if _has_end(block):
            return b"".join(blocks).ljust(len(blocks) * BLOCK)
        if len(block) < BLOCK:
            raise FrameError("cannot be read as FITS (its header is cut short: it has no END)")
    raise FrameError(
        "cannot be read as FITS (damaged: its header has no END within "
        f"{MOST_HEADER_BYTES >> 20} MB)"
    )


def _has_end(block: bytes) -> bool:
    found = block.find(b"END")
    while found >= 0:
        if found % CARD == 0 and not block[found + 3 : found + 8].strip(b" \0"):
            return True
        found = block.find(b"END", found + 1)
    return False


# --- values ---------------------------------------------------------------------------------


def _values(header: bytes) -> dict[str, Value]:
    values: dict[str, Value] = {}
    for place in range(0, len(header), CARD):
        match = _WANTED.match(header, place, place + 10)
        if match is None:
            continue
        name = match[1].decode()
        value = _value(header[place + 10 : place + CARD].decode("latin-1"))
        if values.setdefault(name, value) != value and _SIZES.match(name):
            raise FrameError(
                f"gives {name} twice, as {shown(values[name])} and {shown(value)}, "
                + AGAINST_STANDARD
            )
    return values


def _value(text: str) -> Value:
    """Read a card's value; what is neither number nor T nor F is text."""
    string = _STRING.match(text)
    if string:
        return string[1].replace("''", "'").rstrip()
    word = text.partition("/")[0].strip()
    if word in ("T", "F"):
        return word == "T"
    if _INTEGER.match(word):
        return int(word)
    if _FLOAT.match(word):
        return float(word.translate(str.maketrans("dD", "ee")))
    return word or None


def is_structure(name: str) -> bool:
    """Tell a card on which it hangs where the pixels of an image lie and how they are packed."""
    return _STRUCTURE.match(name) is not None


def shown(value: Value) -> str:
    """Write a header's value in a reason."""
    if value is None or isinstance(value, bool):
        return {None: "nothing", True: "T", False: "F"}[value]
    text = repr(value) if isinstance(value, str) else in_short(value)
    return text if len(text) < 40 else text[:36] + " ..."


def in_short(number: float) -> str:
    """Write a number that a damaged header made up: a hundred digits tell nobody anything."""
    try:
        return str(number) if abs(number) < 10**15 else f"{number:.3g}"
    except OverflowError:  # a whole number beyond all floats
        return f"more than {sys.float_info.max:.3g}"


def number_of(values: Mapping[str, Value], name: str, otherwise: float) -> float:
    """Give a header's number, or what holds where it has none.

    Raises
    ------
    FrameError
        When it is there and is no number.
    """
    value = values.get(name)
    if value is None:
        return otherwise
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise FrameError(f"has {name} = {shown(value)}, which is no number, {AGAINST_STANDARD}")
    return value


def _count(values: Mapping[str, Value], name: str, otherwise: int | None = None) -> int:
    if values.get(name) is None and otherwise is None:
        raise FrameError(f"has no {name} in its header, {AGAINST_STANDARD}")
    value = number_of(values, name, otherwise or 0)
    if value < 0 or value != int(value):
        raise FrameError(f"has {name} = {shown(value)}, {AGAINST_STANDARD}")
    return int(value)


def _bitpix(values: Mapping[str, Value], name: str) -> int:
    if values.get(name) is None:
        raise FrameError(f"has no {name} in its header, {AGAINST_STANDARD}")
    value = number_of(values, name, 0)
    if value not in BITPIX:
        known = ", ".join(map(str, BITPIX))
        raise FrameError(f"has {name} = {shown(value)}, {AGAINST_STANDARD} (it knows {known})")
    return int(value)


def _axes(values: Mapping[str, Value], prefix: str = "") -> tuple[int, ...]:
    count = _count(values, f"{prefix}NAXIS")
    if count > 999:
        raise FrameError(f"has {prefix}NAXIS = {in_short(count)}, {AGAINST_STANDARD}")
    return tuple(_count(values, f"{prefix}NAXIS{i}") for i in range(1, count + 1))


def _data_bytes(values: Mapping[str, Value]) -> int:
    axes, bytes_each = _axes(values), abs(_bitpix(values, "BITPIX")) // 8
    if not axes:
        return 0
    if values.get("GROUPS") is True and axes[0] == 0:
        raise FrameError(f"holds random groups, not an image: {NOT_SUPPORTED}")
    each = _count(values, "PCOUNT", 0) + math.prod(axes)
    return bytes_each * (_count(values, "GCOUNT", 1) or 1) * each
