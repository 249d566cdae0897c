"""How many slips of the fingers lie between two words."""

import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

LONG_ENOUGH = 5  # shorter words are a slip away from too many others


def slips(a: str, b: str, most: int = 2) -> int:
    """Count insertions, deletions, replacements and swaps of neighbours between two words.

    The optimal string alignment distance (Damerau 1964, from memory), cut off above `most`.
    """
    if abs(len(a) - len(b)) > most:
        return most + 1
    before: list[int] = []
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, start=1):
        older, before, row = before, row, [i]
        for j, y in enumerate(b, start=1):
            best = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (x != y))
            if i > 1 and j > 1 and x == b[j - 2] and a[i - 2] == y:
                best = min(best, older[j - 2] + 1)
            row.append(best)
        if min(row) > most:
            return most + 1
    return row[-1]


_NUMBERS = re.compile(r"[0-9]+")


def differ_by_number(a: str, b: str) -> bool:
    """Tell two names that are the same but for their numbers: those are two things.

    Asteroids, tiles of a survey and standard fields are named so: "07801" and "07802", "2021 SO2"
    and "2021 SO3". Zeros in front of a number decide nothing.
    """
    words = [_NUMBERS.sub("#", re.sub(r"[\W_]+", "", name.casefold())) for name in (a, b)]
    numbers = [[int(n) for n in _NUMBERS.findall(name)] for name in (a, b)]
    return words[0] == words[1] and numbers[0] != numbers[1]


def nearly(written: Sequence[str], known: Sequence[str]) -> int | None:
    """Count the slips between two names word by word; None when they are different names.

    Short words must agree: "Orion A" is no slip of "Orion B". A long word may hold one slip, one
    of ten letters and more two.
    """
    if len(written) != len(known):
        return None
    total = 0
    for a, b in zip(written, known, strict=True):
        if a == b:
            continue
        allowed = 0 if len(b) < LONG_ENOUGH else 1 if len(b) < 10 else 2
        found = slips(a, b, allowed) if allowed and not any(c.isdigit() for c in a + b) else 9
        if found > allowed:
            return None
        total += found
    return total


def alike(written: str, known: Iterable[str], most: int = 3) -> list[str]:
    """List the known names a person may have meant, the nearest first."""
    by_letters = {name.casefold(): name for name in sorted(known, reverse=True)}
    word = written.casefold()
    near = get_close_matches(word, sorted(by_letters), n=most)
    near += [key for key in sorted(by_letters) if word and word in key and key not in near]
    return [by_letters[key] for key in near[:most]]
