"""Ways to spoil a file, by kind; each draws one file from a seeded generator.

What must become of a mutated file is said only where something outside runlog says it: a file cut
within its pixels holds too few (FITS Standard 4.0, section 3.3.2), a gzip or bzip2 file whose
check sum holds has the bytes it had (RFC 1952), and flipped bytes of plain pixels are other pixels.
"""

import bz2
import gzip
import math
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from astropy.io import fits

from tests.faults import bases
from tests.faults.bases import BLOCK, Base
from tests.ingest.bombs import card


class Must(StrEnum):
    """What has to become of a file."""

    FRAME = "a frame"
    FAIL = "a failure"
    EITHER = "a frame or a failure"
    SAME = "the frame it was, or a failure"


@dataclass(frozen=True, slots=True)
class Mutant:
    """A spoilt file."""

    suffix: str
    data: bytes
    must: Must = Must.EITHER


def flipped(data: bytes, rng: random.Random, low: int, high: int, count: int) -> bytes:
    """Put other values into some bytes of a range."""
    raw = bytearray(data)
    for _ in range(count):
        raw[rng.randrange(low, high)] ^= rng.randrange(1, 256)
    return bytes(raw)


def header_bytes(rng: random.Random, seed: int) -> Mutant:
    """Flip bytes of the headers."""
    base = bases.of_any(seed)
    return Mutant(base.suffix, flipped(base.data, rng, 0, base.data_at, rng.choice((1, 3, 30))))


def structure_bytes(rng: random.Random, seed: int) -> Mutant:
    """Flip bytes of what a header begins with: SIMPLE, BITPIX, NAXIS and what follows."""
    base = bases.of_any(seed)
    at = rng.choice((0, base.data_at - BLOCK))
    return Mutant(base.suffix, flipped(base.data, rng, at, at + 480, rng.choice((1, 2, 8))))


def data_bytes(rng: random.Random, seed: int) -> Mutant:
    """Flip bytes of plain pixels: they are other pixels, and a frame."""
    ways = (bases.plain, bases.cube, bases.extension, lambda s: bases.plain(s, "f4"))
    base = rng.choice(ways)(seed)
    high = len(base.data) - BLOCK
    data = flipped(base.data, rng, base.data_at, high, rng.choice((1, 10, 2000)))
    return Mutant(base.suffix, data, Must.FRAME)


def squeezed_bytes(rng: random.Random, seed: int) -> Mutant:
    """Flip bytes of a file packed as a whole: its check sum tells, or nothing was lost."""
    base = bases.squeezed(seed, rng.choice(("gzip", "bzip2")))
    data = flipped(base.data, rng, 0, len(base.data), rng.choice((1, 3, 20)))
    return Mutant(base.suffix, data, Must.SAME)


def tile_bytes(rng: random.Random, seed: int) -> Mutant:
    """Flip bytes of packed tiles and of the table that points to them."""
    base = bases.of_tiles(seed)
    count = rng.choice((1, 3, 40, 400))
    return Mutant(base.suffix, flipped(base.data, rng, base.data_at, len(base.data), count))


def tile_holes(rng: random.Random, seed: int) -> Mutant:
    """Put zeros or ones, or another part of the file, in the place of packed tiles."""
    base = bases.of_tiles(seed)
    size = rng.choice((4, 64, 1024))
    at = rng.randrange(base.data_at, len(base.data) - size)
    other = rng.randrange(0, len(base.data) - size)
    filling = rng.choice((bytes(size), b"\xff" * size, base.data[other : other + size]))
    return Mutant(base.suffix, base.data[:at] + filling + base.data[at + size :])


def tile_header(rng: random.Random, seed: int) -> Mutant:
    """Put odd values into the cards that say how an image is packed."""
    base = bases.of_tiles(seed)
    names = re.findall(rb"(Z[A-Z]+\d?|TFORM\d|TTYPE\d|TFIELDS|PCOUNT|THEAP|NAXIS\d?) *=",
                       base.data[: base.data_at])  # fmt: skip
    name = rng.choice(names).decode()
    return Mutant(base.suffix, with_value(base.data, name, rng.choice(ODD_VALUES)))


def cut_at_a_block(rng: random.Random, seed: int) -> Mutant:
    """Cut a file at the border of a block; of data some are missing whichever it is."""
    base = bases.of_any(seed)
    data = base.data[: BLOCK * (seed // 8 % (len(base.data) // BLOCK))]
    return Mutant(base.suffix, data, _when_cut(base))


def _when_cut(base: Base) -> Must:
    """Tell what a cut file is: behind an amplifier, what is left is a file of one image."""
    return Must.EITHER if base.name == "amplifiers" else Must.FAIL


def cut_anywhere(rng: random.Random, seed: int) -> Mutant:
    """Cut a file, packed or not, at any byte before the last block."""
    base = rng.choice((bases.of_any, bases.squeezed, lambda s: bases.squeezed(s, "bzip2")))(seed)
    end = len(base.data) - (1 if base.name in ("gzip", "bzip2") else BLOCK)
    return Mutant(base.suffix, base.data[: rng.randrange(end)], _when_cut(base))


# --- values of cards ------------------------------------------------------------------------

ODD_VALUES = (
    "0", "1", "-1", "2", "3", "7", "12", "16", "32", "-32", "-64", "64", "999", "1000", "65535",
    "2147483647", "2147483648", "-2147483648", "4294967296", "9223372036854775807",
    "99999999999999999999", "1" + "0" * 60, "1.5", "1E308", "-1E308", "1E400", "1E-320", "NaN",
    "Inf", "-Inf", "T", "F", "''", "'16'", "'abc'", "(1,2)", "", "0x10", "+", "1e", "1D5", "--1",
    "'RICE_1'", "'1PB(9)'", "'1QB(99999999)'", "'9999999999PB'", "'0PB'",
)  # fmt: skip
STRUCTURE = (
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND", "PCOUNT", "GCOUNT",
    "GROUPS", "XTENSION", "DETSEC", "DATASEC", "BIASSEC", "CCDSUM", "BLOCKED",
)  # fmt: skip


def with_value(data: bytes, name: str, value: str) -> bytes:
    """Give a card another value; a card that is not there takes the place of the last one."""
    new = card(name, value)[:80].encode("latin-1").ljust(80)
    found = [i for i in range(0, len(data), 80) if data[i : i + 8] == name.ljust(8).encode()]
    ends = [i for i in range(0, len(data), 80) if data[i : i + 80] == b"END".ljust(80)]
    at = found[-1] if found else ends[-1] - 80
    return data[:at] + new + data[at + 80 :]


def with_cards(base: Base, added: list[bytes]) -> bytes:
    """Put cards before the END of the last header."""
    end = base.data.rindex(b"END".ljust(80), 0, base.data_at)
    first = base.data[:end].rfind(b"XTENSION")
    start = max(first, 0)
    head = base.data[start:end] + b"".join(c[:80].ljust(80) for c in added) + b"END".ljust(80)
    head += b" " * (-len(head) % BLOCK)
    return base.data[:start] + head + base.data[base.data_at :]


def structure_values(rng: random.Random, seed: int) -> Mutant:
    """Put odd values into the cards that the layout hangs on."""
    base = bases.of_any(seed)
    data = base.data
    for _ in range(rng.choice((1, 1, 2, 4))):
        data = with_value(data, rng.choice(STRUCTURE), rng.choice(ODD_VALUES))
    return Mutant(base.suffix, data)


def scale_values(rng: random.Random, seed: int) -> Mutant:
    """Put odd values into BSCALE, BZERO and BLANK (and their names for packed images)."""
    base = bases.of_any(seed)
    names = ("BSCALE", "BZERO", "BLANK", "ZBLANK", "ZSCALE", "ZZERO")
    added = [card(name, rng.choice(ODD_VALUES)).encode() for name in rng.sample(names, 3)]
    return Mutant(base.suffix, with_cards(base, added))


def odd_pixels(rng: random.Random, seed: int) -> Mutant:
    """Write pixels that are no numbers, infinite, vast, tiny or all the same."""
    pixels = bases.sky(seed).astype(rng.choice(("f4", "f8")))
    odd = rng.choice((np.nan, np.inf, -np.inf, 3e38, -3e38, 1e-40, 0.0, -1.0))
    share = rng.choice((0.001, 0.1, 0.9, 1.0))
    pixels[np.random.default_rng(seed).random(pixels.shape) < share] = odd
    image = fits.PrimaryHDU(pixels, bases.cards(seed))
    return Mutant(".fits", bases.written(fits.HDUList([image])), Must.FRAME)


# --- many, long and hostile cards -----------------------------------------------------------

TEXTS = (
    b"\x1b[2J\x1b]0;owned\x07", b"\r\n\r\n", b"\x00\x00", b"\xff\xfe\xfd", b"\xe2\x80\xaeevil",
    b"../../etc/passwd", b"/dev/null", b"-rf", b"'; DROP TABLE frame; --", b"%s%n%x", b"{0.__class__}",  # noqa: E501
    b"[red]x[/red]", b"=1+1", b"$(id)", b"`id`", b"\t\t", b" " * 30, b"a" * 68, b"NaN", b"None",
    b"''''''''", b"'", b"0" * 60, b"-0", b"1e400", b"25:61:61", b"0000-00-00", b"9999-12-31T23:59:60",  # noqa: E501
    b"2026-02-30", b"-1-1-1", b"T", b"[",
)  # fmt: skip
TEXT_NAMES = (
    "OBJECT", "FILTER", "INSTRUME", "TELESCOP", "IMAGETYP", "DATE-OBS", "DATE-LOC", "OBSERVER",
    "BAYERPAT", "SITENAME", "CTYPE1", "RADESYS", "PIERSIDE", "CALSTAT", "TIMESYS", "HISTORY",
)  # fmt: skip
NUMBER_NAMES = (
    "EXPTIME", "EXPOSURE", "GAIN", "OFFSET", "CCD-TEMP", "SET-TEMP", "FOCALLEN", "XPIXSZ",
    "XBINNING", "RA", "DEC", "OBJCTRA", "OBJCTDEC", "SITELAT", "SITELONG", "SITEELEV", "AIRMASS",
    "CRVAL1", "CRVAL2", "CD1_1", "CD2_2", "CDELT1", "CRPIX1", "EGAIN", "PEDESTAL", "SATURATE",
    "MJD-OBS", "JD", "ROTATANG", "FOCUSPOS", "ADUMAX", "DATAMAX", "NCOMBINE", "EQUINOX",
)  # fmt: skip


def hostile_text(rng: random.Random, seed: int) -> Mutant:
    """Write hostile text where names and dates are looked for."""
    base = bases.of_any(seed)
    added = [
        name.ljust(8).encode() + b"= '" + rng.choice(TEXTS)[:66] + b"'"
        for name in rng.sample(TEXT_NAMES, rng.randrange(1, 9))
    ]
    return Mutant(base.suffix, with_cards(without(base, added), added))


def odd_numbers(rng: random.Random, seed: int) -> Mutant:
    """Write odd values where numbers are looked for."""
    base = bases.of_any(seed)
    added = [
        card(name, rng.choice(ODD_VALUES)).encode()
        for name in rng.sample(NUMBER_NAMES, rng.randrange(1, 12))
    ]
    return Mutant(base.suffix, with_cards(without(base, added), added))


def without(base: Base, added: list[bytes]) -> Base:
    """Blank the cards that others shall stand for."""
    names = {c[:8] for c in added}
    head = base.data[: base.data_at]
    kept = (head[i : i + 80] for i in range(0, len(head), 80))
    blanked = b"".join(b" " * 80 if c[:8] in names else c for c in kept)
    return Base(base.name, base.suffix, blanked + base.data[base.data_at :], base.data_at)


def _duplicates(rng: random.Random) -> list[bytes]:
    name = rng.choice(TEXT_NAMES + NUMBER_NAMES + STRUCTURE)
    return [card(name, rng.choice(ODD_VALUES)).encode() for _ in range(rng.choice((2, 50, 3000)))]


def _ten_thousand(rng: random.Random) -> list[bytes]:
    name = rng.choice(("COMMENT ", "HISTORY ", "        ", "K%07d= ", "OBJECT  = 'x%d'"))
    return [(name % i if "%" in name else name + str(i)).encode() for i in range(10_000)]


def _continued(rng: random.Random) -> list[bytes]:
    piece = b"CONTINUE  '" + rng.choice((b"a" * 60, b"''" * 30, b"& " * 30, b"")) + b"&'"
    first = rng.choice((b"OBJECT  = 'M&'", b"LONGSTRN= 'OGIP 1.0'", b"GAIN    = 100", b""))
    last = rng.choice(([b"CONTINUE  'end'"], [], [b"CONTINUE= 5"], [b"CONTINUE"]))
    return [first, *[piece] * rng.choice((1, 30, 5000)), *last]


def _hierarch(rng: random.Random) -> list[bytes]:
    words = (b"HIERARCH ESO DET EXP = 5", b"HIERARCH", b"HIERARCH =", b"HIERARCH A B C D E F = 'x",
             b"HIERARCH " + b"K" * 60 + b" = 1", b"HIERARCH OBJECT = 'NGC 1'",
             b"HIERARCH \x1b[31m = 1", b"HIERARCH a = b = c", b"HIERARCH NAXIS1 = 3")  # fmt: skip
    return [rng.choice(words) for _ in range(rng.choice((1, 20, 2000)))]


def _illegal(rng: random.Random) -> list[bytes]:
    return [rng.randbytes(rng.randrange(1, 80)).replace(b"END", b"") for _ in range(40)]


def many_cards(rng: random.Random, seed: int) -> Mutant:
    """Add duplicates, ten thousand cards, CONTINUE, HIERARCH, or what is no card."""
    base = bases.of_any(seed)
    ways = (_duplicates, _ten_thousand, _continued, _hierarch, _illegal)
    return Mutant(base.suffix, with_cards(base, ways[seed % len(ways)](rng)))


# --- files as a whole -----------------------------------------------------------------------


def whole_file(rng: random.Random, seed: int) -> Mutant:
    """Mix blocks up, lose some, put two files together, pack twice, write rubbish."""
    base, other = bases.of_any(seed), bases.of_any(seed + 3)
    split = [base.data[i : i + BLOCK] for i in range(0, len(base.data), BLOCK)]
    at = rng.randrange(len(split))
    mixed = [split[0], *rng.sample(split[1:], len(split) - 1)]
    made = (
        b"".join(mixed),
        b"".join([*split[:at], *split[at + 1 :]]),
        b"".join([*split[:at], bytes(BLOCK), *split[at + 1 :]]),
        b"".join([*split[:at], split[at], *split[at:]]),
        base.data + other.data,
        base.data[: base.data_at] + other.data,
        base.data + rng.randbytes(5000),
        b"SIMPLE  =" + rng.randbytes(20_000),
        base.data[: rng.randrange(80, 2880)] + rng.randbytes(9000),
        rng.randbytes(9000),
        bytes(len(base.data)),
        gzip.compress(gzip.compress(base.data)),
        bz2.compress(gzip.compress(base.data)),
        gzip.compress(base.data) + rng.randbytes(100),
        b"",
        b"\x1f\x8b" + rng.randbytes(100),
        b"BZh9" + rng.randbytes(100),
        base.data.lower(),
        base.data[:2880].replace(b" ", b"\n") + base.data[2880:],
        base.data[1:],
    )
    return Mutant(rng.choice((base.suffix, ".fits")), made[seed % len(made)])


Kind = Callable[[random.Random, int], Mutant]

# How many of each in two thousand; the bombs are added by their own module.
KINDS: dict[str, tuple[Kind, int]] = {
    "header bytes flipped": (header_bytes, 220),
    "first cards' bytes flipped": (structure_bytes, 160),
    "pixel bytes flipped": (data_bytes, 100),
    "gzip, bzip2 bytes flipped": (squeezed_bytes, 120),
    "packed tiles flipped": (tile_bytes, 200),
    "packed tiles overwritten": (tile_holes, 100),
    "packing cards": (tile_header, 120),
    "cut at a block": (cut_at_a_block, 120),
    "cut anywhere": (cut_anywhere, 100),
    "structure cards": (structure_values, 180),
    "BSCALE, BZERO, BLANK": (scale_values, 100),
    "NaN, Inf, vast pixels": (odd_pixels, 60),
    "hostile text": (hostile_text, 100),
    "odd numbers": (odd_numbers, 120),
    "many, long, double cards": (many_cards, 80),
    "blocks and whole files": (whole_file, 120),
}


def draw(seed: int, kind: str, number: int) -> Mutant:
    """Draw one file; the same seed, kind and number give the same file."""
    make, _ = KINDS[kind]
    rng = random.Random(f"{seed}/{kind}/{number}")
    return make(rng, number)


def shares(count: int) -> dict[str, int]:
    """Share a number of files out among the kinds, one of each at least."""
    whole = sum(n for _, n in KINDS.values())
    return {kind: max(math.floor(count * n / whole), 1) for kind, (_, n) in KINDS.items()}
