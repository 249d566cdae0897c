"""What the words of a target's or a file's name tell of target and filter, where no card does.

A file's name gives a target only by a catalogue number or a nickname known here, and a filter only
by a word that can mean nothing else, or a letter in the company of a target, a length or the kind
of frame: nothing is made up from a counter, a date or a program's own words.
"""

import re

from runlog.core.header.filters import fold_filter
from runlog.core.targets.catalogue.nicknames import GENERIC, NICKNAMES, nickname_key
from runlog.core.targets.catalogue.numbers import DESIGNATION, designation
from runlog.core.targets.sequence_words import (
    FILTER_WORDS,
    OTHER_WORDS,
    find_panel,
    is_setting,
    split_panel,
    with_panel,
)

# Filters by words of their own; letters are looked at apart.
_SURE = frozenset(
    "red green blue lum luminance ha halpha oiii o3 sii s2 nii hb hbeta clear".split()
)
_LETTERS = frozenset("LRGBV")
_KINDS = frozenset("light lights flat flats skyflat domeflat".split())
_BANDWIDTH = re.compile(r"\d{1,2}(?:[.,]\d)?nm\Z", re.IGNORECASE)
# Short prefixes that also stand before a counter: only believed with the number glued on.
_GLUED_ONLY = frozenset(
    {"cr", "tr", "wr", "pal", "ced", "coll", "mess", "mes", "gum", "mel", "aco"}
)
# Barnard's numbers look like binnings and counters: only those of clouds with a nickname.
_DARK_CLOUD = re.compile(r"(?<![A-Za-z0-9])B ?([0-9]{2,3})(?![0-9A-Za-z])")
_NICKNAMED = frozenset(NICKNAMES.values())
_LENGTH = re.compile(r"\d+(?:\.\d+)?(?:s|sec|secs|min|ms)\Z", re.IGNORECASE)
_SPLIT = re.compile(r"[\s_,;()\[\]+=]+|-(?![0-9])|(?<=[A-Za-z])-(?=[0-9])")


def words_in(name: str) -> list[str]:
    """Split a name where words end; a minus before a number stays with it."""
    return [word for word in _SPLIT.split(name) if word]


def filter_in_file_name(stem: str, target: str | None) -> str | None:
    """Give the one filter a file's name tells; `target` is what the name says it shows."""
    words = words_in(_without(stem, target))
    found = {name for place in range(len(words)) if (name := _filter_at(words, place))}
    in_company = any(_LENGTH.match(word) or word.lower() in _KINDS for word in words)
    if not found and (target is not None or in_company):
        found = {word for word in words if word in _LETTERS}
    return _widened(found, words)


def filter_in_target(target: str) -> str | None:
    """Give the filter a target's name holds: "m51  B  600s", "NGC 7000 Ha".

    A letter counts only beside the length of the exposure: "Sirius B" and "Orion B" name objects.
    """
    words = words_in(target)[1:]
    found = {name for place in range(len(words)) if (name := _filter_at(words, place))}
    if not found and any(map(_LENGTH.match, words)):
        found = {word for word in words if word in _LETTERS}
    return _widened(found, words)


def _filter_at(words: list[str], place: int) -> str | None:
    """Read a word that can only mean a filter; "Blue Snowball" and "Red Rectangle" are names."""
    word = words[place]
    if word.lower() not in _SURE:
        return None
    behind = words[place + 1 : place + 2]
    if any(not is_setting(w) and not w[0].isdigit() and w[0] not in "-#" for w in behind):
        return None
    return fold_filter(word)


def _widened(found: set[str], words: list[str]) -> str | None:
    """Add the bandwidth the name gives to the one filter found; two filters are none."""
    if len(found) != 1:
        return None
    name = found.pop()
    width = next((word for word in words if _BANDWIDTH.match(word)), None)
    return fold_filter(f"{name} {width}") if width and len(name) > 1 else name


def target_in_file_name(stem: str) -> str | None:
    """Give the target a file's name tells, as written; None where it tells none for sure."""
    found = _numbered(stem) or _nickname(stem)
    return None if found is None else with_panel(found, find_panel(stem)[1])


def _numbered(stem: str) -> str | None:
    for match in DESIGNATION.finditer(stem):
        written = match[0].strip(" _-.#:")
        name = designation(match["prefix"], match["number"])
        if name is not None and _meant_as_number(written, match["prefix"]):
            return written
    dark = _DARK_CLOUD.search(stem)
    return dark[0] if dark and designation("B", dark[1]) in _NICKNAMED else None


def _meant_as_number(written: str, prefix: str) -> bool:
    """Tell a catalogue number from a counter behind a few letters: "M31" from "frame_m_0012"."""
    behind = written[len(prefix) :]
    if behind[0].isdigit():
        return True
    if re.sub(r"[\W_]", "", prefix).lower() in _GLUED_ONLY or behind.lstrip(" _-.#:")[0] == "0":
        return False
    return len(prefix) > 1 or behind[0] in " -" or prefix.isupper()


def _nickname(stem: str) -> str | None:
    """Find the nickname a name begins with: "Rosette_Ha_300s_0001", "Light_Iris Nebula_L"."""
    words = [word for word in words_in(stem) if word.lower() not in OTHER_WORDS]
    for many in range(len(words), 1, -1):
        if nickname_key(" ".join(words[:many])) in NICKNAMES:
            return " ".join(words[:many])
    if not any(word.lower() in FILTER_WORDS or _LENGTH.match(word) for word in words):
        return None  # a word alone may be anything: a camera, a person, a place
    kept = [word for word in words if not is_setting(word) and not _is_counter(word)]
    key = nickname_key(" ".join(kept))
    known = key in NICKNAMES or any(key + generic in NICKNAMES for generic in GENERIC)
    return " ".join(kept) if known and len(key) > 3 else None


def _is_counter(word: str) -> bool:
    return not any(c.isalpha() for c in word)


def _without(stem: str, target: str | None) -> str:
    """Leave out what told the target, so that "Blue Snowball" is no blue filter."""
    return stem if target is None else stem.replace(split_panel(target)[0], " ", 1)


_LAST_WORD = re.compile(r"(?P<name>.*[^\s_\-,])[\s_\-,]+(?P<last>[^\s_\-,]+)\Z")


def without_own_filter(target: str, filter_name: str | None) -> str:
    """Leave out of a target's name words at its end that only repeat the frame's own filter.

    "Home_Ha" and "Home_Ha_300s" of a frame through Ha are "Home". A single letter may be part of
    the name ("Orion B", "Kepler-90 g"): one of Sloan's counts behind the number of a tile, of four
    digits and more; L, R and G before a length of exposure.
    """
    if filter_name is None:
        return target
    kept, behind = target.strip(), ""
    while (match := _LAST_WORD.match(kept)) and re.search(r"[A-Za-z0-9]{3}", match["name"]):
        if _is_own(match, behind, filter_name):
            return match["name"]
        if not _says_how(match["last"]):
            break
        kept, behind = match["name"], match["last"]
    return target


def _says_how(word: str) -> bool:
    return _LENGTH.match(word) is not None or _BANDWIDTH.match(word) is not None


def _is_own(match: re.Match[str], behind: str, filter_name: str) -> bool:
    last = match["last"]
    if len(last) > 1:
        # Beside a catalogue number filters are left out when the name is folded.
        own = fold_filter(last) == filter_name.partition(" ")[0]
        return own and _numbered(match["name"]) is None
    if last in "LRG":
        return last == filter_name and _LENGTH.match(behind) is not None
    tile = re.search(r"[0-9]{4,}\Z", match["name"]) is not None
    return tile and last.islower() and filter_name in (last, f"{last}'")
