"""Words that tell what a frame was taken for, in headers, folder names and file names.

All common practice, no source, except "Light Frame", "Bias Frame", "Dark Frame", "Flat Frame" and
"Tricolor Image" (SBFITSEXT 1.0) and object, dark, zero, flat, comp, sky, focus (NOAO dictionary
1.0).
"""

import re
from collections.abc import Mapping
from functools import lru_cache

from runlog.core.frame import Kind

_WORD = re.compile(r"[A-Z]{2,}(?![a-z])|[A-Z]?[a-z]+|[A-Z]|[0-9]+")


def split_words(text: str) -> tuple[str, ...]:
    """Split a name into lower-case words: at signs, at digits and before a capital."""
    return tuple(word.lower() for word in _WORD.findall(text))


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


def _table(words: Mapping[Kind, str]) -> dict[str, Kind]:
    return {word: kind for kind, listed in words.items() for word in listed.split()}


# Whole header values, squeezed: words joined, `_HEADER_NOISE` left out.
HEADER_KINDS = _table(
    {
        Kind.LIGHT: "light lights object objects obj science sci target standard std normal",
        Kind.DARK: "dark darks drk thermal darkcurrent",
        Kind.BIAS: "bias biases zero zeros offset offsets",
        Kind.FLAT: (
            "flat flats skyflat skyflats domeflat domeflats twilightflat twilightflats twilight "
            "duskflat dawnflat eveningflat morningflat panelflat lampflat flatlamp flatlight "
            "flatsky flatdome flattwilight twiflat dflat sflat tflat pflat autoflat"
        ),
        Kind.FLAT_DARK: "flatdark flatdarks darkflat darkflats darkforflat darkforflats darkofflat",
        Kind.FOCUS: (
            "focus autofocus focusing focussing focusrun vcurve platesolve platesolving solve "
            "solving center centre centering centring acquisition acquire pointing align alignment "
            "polaralign polaralignment slew"
        ),
        Kind.STACK: (
            "tricolor tricolour stack stacked integration integrated master livestack coadd"
        ),
        Kind.OTHER: "snapshot test preview guide guider guiding arc comp comparison lamp sky loop "
        "framing finder video",
    }
)
_HEADER_NOISE = _set(
    "frame frames image images field fields exposure exposures type raw sub subs shot"
)
_MASTER = _set("master super mean median stack stacked integrated integration combined average")

# Words of a file name that say it is a sum of exposures.
STACK_WORDS = _set(
    "master masters stack stacked integration integrated livestack superbias masterdark "
    "masterflat masterbias masterlight coadd coadded combined drizzle drizzled"
)
_STACK_FOLDERS = _set("masters stacks integrations masterdarks masterflats")

# Words of names that mean one kind wherever they stand.
_SURE = _table(
    {
        Kind.LIGHT: "lights masterlight",
        Kind.DARK: "darks masterdark masterdarks",
        Kind.BIAS: "bias biases superbias masterbias",
        Kind.FLAT: "flats skyflat skyflats domeflat domeflats masterflat masterflats autoflat",
        Kind.FLAT_DARK: "flatdark flatdarks darkflat darkflats",
        Kind.FOCUS: "autofocus platesolve platesolving",
    }
)
# Words that mean a kind only in plain company: not in "Dark Horse Nebula" or "Dark Sky Park".
_UNSURE = _table(
    {Kind.LIGHT: "light", Kind.DARK: "dark", Kind.FLAT: "flat", Kind.FOCUS: "focus focusing"}
)
# Words that mean a kind only where they stand alone: OFFSET is a camera setting in file names.
_ALONE = _table({Kind.BIAS: "offset offsets zero zeros", Kind.FOCUS: "af solve centering centring"})

_PLAIN = _set(
    "frame frames image images img raw raws cal cals calib calibration calibrations lib "
    "library file files fit fits fts bin gain offset temp deg sec secs min exp exposure "
    "exposures iso night nights session sessions set new old the of for sub subs field fields "
    "cam camera mono osc color colour all jan feb mar apr may jun jul aug sep oct nov dec "
    "january february march april june july august september october november december lum "
    "luminance red green blue clear oiii sii nii master masters super ngc messier caldwell "
    "abell arp ugc sharpless binning usb seq"
)
_FLAT_COMPANY = _PLAIN | _set(
    "sky dome panel twilight dusk dawn evening morning box lightbox wall shirt lamp screen"
)
# The dark ones of the sky: with these in a name, "dark" is part of the target's name.
_DARK_SKY = _set("nebula nebulae ldn lbn lynds barnard cloud globule lane shark horse")


def kind_in_header(text: str) -> tuple[Kind, bool] | None:
    """Tell the kind a header's word means, and whether it is a master of that kind."""
    words = [word for word in split_words(text) if word not in _HEADER_NOISE]
    own = [word for word in words if word not in _MASTER]
    kind = HEADER_KINDS.get("".join(own))
    if kind is None:
        joined = "".join(words)
        kind = HEADER_KINDS.get(joined) or _SURE.get(joined)
        return None if kind is None else (kind, kind is not Kind.STACK and joined in STACK_WORDS)
    return kind, len(own) < len(words)


def kind_in_file_name(words: tuple[str, ...]) -> Kind | None:
    """Guess the kind from the words of a file name: the first that means one."""
    for place, word in enumerate(words):
        kind = _compound(words, place) or _SURE.get(word)
        if kind is None and word in _UNSURE and _plainly_meant(words, place):
            kind = _UNSURE[word]
        if kind is not None:
            return kind
    return None


def _compound(words: tuple[str, ...], place: int) -> Kind | None:
    """Find "flat darks", "dark flat" or "darks for flats"; "darks flats" is two kinds."""
    behind = words[place + 1 : place + 3]
    linked = "for" in behind[:1]
    second = behind[1:] if linked else behind[:1]
    first = words[place].rstrip("s") if linked else words[place]
    pair = {first, *(word.rstrip("s") for word in second)}
    return Kind.FLAT_DARK if pair == {"flat", "dark"} else None


def _plainly_meant(words: tuple[str, ...], place: int) -> bool:
    """Tell whether an ambiguous word stands for a kind in a file name, by the word behind it."""
    word, behind = words[place], words[place + 1 : place + 2]
    if word == "light":
        return True  # what a frame is anyway when nothing says otherwise
    if word.startswith("focus"):
        # "..._focus_12345" is the focuser's position, written by a name template.
        return place == 0 or not all(w.isdigit() for w in behind)
    if word == "dark" and not _DARK_SKY.isdisjoint(words):
        return False
    return all(_is_plain(w, _FLAT_COMPANY if word == "flat" else _PLAIN) for w in behind)


@lru_cache(maxsize=4096)
def kind_in_folder(name: str) -> Kind | None:
    """Guess the kind from one folder's name."""
    words = split_words(name)
    if any(_compound(words, place) for place in range(len(words))):
        return Kind.FLAT_DARK
    sure = {_SURE[word] for word in words if word in _SURE}
    if sure:
        return sure.pop() if len(sure) == 1 else None  # "darks flats" holds both
    for place, word in enumerate(words):
        others = words[:place] + words[place + 1 :]
        company = _FLAT_COMPANY if word == "flat" else _PLAIN
        if word in _UNSURE and all(_is_plain(w, company) for w in others):
            return _UNSURE[word]
    return _ALONE.get(words[0]) if len(words) == 1 else None


def stack_word_in_folder(name: str) -> str | None:
    """Give the word of a folder's name that says it holds masters or stacks."""
    return next((word for word in split_words(name) if word in _STACK_FOLDERS), None)


def _is_plain(word: str, company: frozenset[str]) -> bool:
    return len(word) <= 2 or word.isdigit() or word in company or word in _UNSURE


_AUXILIARY = _table(
    {
        Kind.FOCUS: (
            "autofocus autofocusing focus focusing focussing platesolve platesolving solve solving "
            "centering centring vcurve"
        ),
        Kind.OTHER: "snapshot preview framing",
    }
)
_AUXILIARY_TARGETS = _AUXILIARY | _table({Kind.FOCUS: "af align alignment", Kind.OTHER: "test"})


def auxiliary_in_target(text: str) -> tuple[Kind, str] | None:
    """Tell whether a target's name says the frame only served focusing, solving or a test."""
    words = split_words(text)
    if "".join(words) in ("platesolve", "autofocus", "polaralign", "polaralignment"):
        return Kind.FOCUS, "".join(words)
    told = [word for word in words if word in _AUXILIARY_TARGETS]
    others = [w for w in words if w not in _AUXILIARY_TARGETS and not _is_plain(w, _PLAIN)]
    return (_AUXILIARY_TARGETS[told[0]], told[0]) if told and not others else None


def auxiliary_in_name(words: tuple[str, ...]) -> tuple[Kind, str] | None:
    """Tell whether a file name says the frame only served focusing, solving or a snapshot."""
    if words[:1] == ("af",) or words[:2] == ("auto", "focus"):
        return Kind.FOCUS, "".join(words[:1])
    for place, word in enumerate(words):
        if words[place : place + 2] in (("plate", "solve"), ("plate", "solving")):
            return Kind.FOCUS, "plate solve"
        if word in _AUXILIARY and (not word.startswith("focus") or _plainly_meant(words, place)):
            return _AUXILIARY[word], word
    return None


def auxiliary_in_folder(name: str) -> tuple[Kind, str] | None:
    """Tell whether a folder's name, as a whole, says its frames only served focusing or solving."""
    words = split_words(name)
    joined = "".join(words)
    if joined in _AUXILIARY or joined in ("platesolve", "focusruns"):
        return _AUXILIARY.get(joined, Kind.FOCUS), joined
    return None


_MASTERS = _set("master masters super")


def master_kind(words: tuple[str, ...]) -> Kind | None:
    """Tell what kind a master is of, by the words of its name."""
    return kind_in_file_name(tuple(word for word in words if word not in _MASTERS))
