"""Slips of the fingers in catalogue numbers and nicknames."""

import re
from collections.abc import Sequence

from runlog.core.targets.catalogue.nicknames import GENERIC
from runlog.core.targets.catalogue.numbers import BY_SPELLING, designation
from runlog.core.targets.edit_distance import LONG_ENOUGH, nearly, slips

_MISTYPED = re.compile(r"(?P<prefix>[A-Za-z1|]{1,9})[\s_\-.]*(?P<number>[0-9OolI]{1,5})\Z")
_LOOKALIKE = str.maketrans("OolI", "0011")
_OTHER_CATALOGUES = frozenset("mcg mgc agc sgc cgc gc".split())  # with other numbers
_GUESSED = ("ngc", "messier", "caldwell", "barnard", "sharpless", "abell")


def mistyped_number(text: str) -> str | None:
    """Read "NCG 7000", "NGC7OOO" or "lC 1396"; None unless one catalogue fits."""
    match = _MISTYPED.match(text)
    if match is None or not any(c.isdigit() for c in match["number"]):
        return None
    number = match["number"].translate(_LOOKALIKE).lstrip("0")
    prefix = match["prefix"].lower()
    if not number:
        return None
    if prefix in ("lc", "1c", "|c"):
        return designation("ic", number)
    if prefix in BY_SPELLING:
        # One letter at the end may be a filter: "IC434O".
        doubtful = re.fullmatch(r"\d+[A-Za-z]?", match["number"]) is not None
        return None if doubtful or len(prefix) < 2 else designation(prefix, number)
    if prefix in _OTHER_CATALOGUES:
        return None
    fits = [name for name in _GUESSED if len(prefix) >= 2 and slips(prefix, name, 1) == 1]
    return designation(fits[0], number) if len(fits) == 1 else None


def slips_of(written: Sequence[str], known: Sequence[str]) -> int | None:
    """Count the slips in a nickname, also where its words are joined or "nebula" is left out."""
    count = nearly(written, known)
    if count is None and known[-1] in GENERIC:
        count = nearly(written, known[:-1]) or None  # without a slip it is no slip
    if count is None and len(written) == 1 and min(map(len, known)) >= LONG_ENOUGH - 1:
        count = nearly(written, ["".join(known)])
    return count
