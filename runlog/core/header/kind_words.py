"""Words that tell what a frame was taken for, in headers, folder names and file names.

All common practice, no source, except "Light Frame", "Bias Frame", "Dark Frame", "Flat Frame" and
"Tricolor Image" (SBFITSEXT 1.0) and object, dark, zero, flat, comp, sky, focus (NOAO dictionary
1.0).
"""

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import dropwhile

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
        Kind.LIGHT: (
            "light lights object objects obj science sci target standard standards std normal "
            "expose imaging standardstar stdstar"
        ),
        Kind.DARK: "dark darks drk thermal darkcurrent",
        Kind.BIAS: "bias biases zero zeros offset offsets",
        Kind.FLAT: (
            "flat flats skyflat skyflats domeflat domeflats twilightflat twilightflats twilight "
            "duskflat dawnflat eveningflat morningflat panelflat lampflat flatlamp flatlight "
            "flatsky flatdome flattwilight twiflat dflat sflat tflat pflat autoflat projectorflat "
            "projectionflat instflat internalflat ledflat quartz"
        ),
        Kind.FLAT_DARK: "flatdark flatdarks darkflat darkflats darkforflat darkforflats darkofflat",
        Kind.FOCUS: (
            "focus autofocus focusing focussing focusrun focussequence vcurve acq platesolve "
            "platesolving solve solving center centre centering centring acquisition acquire "
            "pointing align alignment polaralign polaralignment slew"
        ),
        Kind.STACK: (
            "tricolor tricolour stack stacked integration integrated master livestack coadd"
        ),
        Kind.OTHER: (
            "snapshot test preview guide guider guiding arc arcs comp comparison lamp sky loop "
            "framing finder video spectrum spectra spectral echelle wave wavecal comparc complamp "
            "arclamp experimental spectroscopic spectroscopy lamparc etalon thar "
            "wavelamp lampwave double counttest "
            "thorium mask bpm badpixelmask weight weightmap dqmask wtmap expmap"
        ),
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
_FLAT_WORDS = _set("flat flats skyflat skyflats domeflat domeflats dflat twilight")
# What a header adds to the word for a flat: "projector flat", "FLAT,LAMP", "dome flat lamp on".
_FLAT_IN_HEADER = (
    _FLAT_COMPANY
    | _FLAT_WORDS
    | _set("projector projection quartz led internal inst instrument on off high low")
)
# The dark ones of the sky: with these in a name, "dark" is part of the target's name.
_DARK_SKY = _set("nebula nebulae ldn lbn lynds barnard cloud globule lane shark horse")


def kind_in_header(text: str) -> tuple[Kind, bool] | None:
    """Tell the kind a header's word means, and whether it is a master of that kind."""
    # "OBJECT (0)", "Light 001": a number behind the word is a code or a count.
    words = [w for w in split_words(text) if w not in _HEADER_NOISE and not w.isdigit()]
    own = [word for word in words if word not in _MASTER]
    kind = HEADER_KINDS.get("".join(own)) or _composed(own)
    if kind is None:
        joined = "".join(words)
        kind = HEADER_KINDS.get(joined) or _SURE.get(joined)
        return None if kind is None else (kind, kind is not Kind.STACK and joined in STACK_WORDS)
    return kind, len(own) < len(words)


def _composed(words: Sequence[str]) -> Kind | None:
    """Read a header's word for a flat that is made of several: no word may mean something else."""
    told = set(words)
    return Kind.FLAT if told & _FLAT_WORDS and told <= _FLAT_IN_HEADER else None


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
        if _is_verdict(words):
            return False
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
    sure = {_SURE[word] for word in words if word in _SURE} - {Kind.FOCUS}
    if sure:
        return sure.pop() if len(sure) == 1 else None  # "darks flats" holds both
    if _focus_word(words) is not None:
        return Kind.FOCUS
    for place, word in enumerate(words):
        others = words[:place] + words[place + 1 :]
        company = _FLAT_COMPANY if word == "flat" else _PLAIN
        kind = _UNSURE.get(word)
        if kind and kind is not Kind.FOCUS and all(_is_plain(w, company) for w in others):
            return kind
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


# Whole names of targets that are those of calibration frames.
_CALIBRATION_TARGETS = _table(
    {
        Kind.DARK: "dark darks",
        Kind.BIAS: "bias biases zero zeros",
        Kind.FLAT: "flat flats dome domeflat domeflats dflat skyflat skyflats twilight twilights",
        Kind.FLAT_DARK: "flatdark flatdarks darkflat darkflats",
        Kind.OTHER: "lamp lamps arc arcs comp comparison",
    }
)
_CATALOGUES = _set("ngc messier caldwell abell arp ugc sharpless")
_CALIBRATION_COMPANY = _FLAT_COMPANY | _set("on off cap cover closed shutter projector led")


def calibration_in_target(text: str) -> Kind | None:
    """Tell which calibration frame a target's whole name is that of: "DARK 300s", "dome flat R"."""
    words = split_words(text)
    told = [word for word in words if word in _CALIBRATION_TARGETS]
    # "B 33 dark" and "NGC 1333 dark" begin with the number of an object.
    if not told or len(words[0]) < 3 or not _CATALOGUES.isdisjoint(words):
        return None
    if not all(w in _CALIBRATION_TARGETS or _is_plain(w, _CALIBRATION_COMPANY) for w in words):
        return None
    if any(_compound(words, place) for place in range(len(words))):
        return Kind.FLAT_DARK
    flat = any(_CALIBRATION_TARGETS[word] is Kind.FLAT for word in told)
    return Kind.FLAT if flat else _CALIBRATION_TARGETS[told[0]]


def auxiliary_in_name(words: tuple[str, ...]) -> tuple[Kind, str] | None:
    """Tell whether a file name says the frame only served focusing, solving or a snapshot."""
    if words[:1] == ("af",) and all(_is_plain(w, _FOCUS_COMPANY) for w in words[1:2]):
        return Kind.FOCUS, "af"
    if words[:2] == ("auto", "focus"):
        return Kind.FOCUS, "autofocus"
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
    if joined in _AUXILIARY or joined == "platesolve":
        return _AUXILIARY.get(joined, Kind.FOCUS), joined
    told = _focus_word(words)
    return None if told is None else (Kind.FOCUS, told)


def auxiliary_in_folders(folders: Sequence[str]) -> tuple[Kind, str] | None:
    """Look at the nearest folder, and at those above it while they only number, date or filter."""
    for folder in folders:
        told = auxiliary_in_folder(folder)
        if told is not None:
            return told
        words = split_words(folder)
        if kind_in_folder(folder) or not all(_is_plain(w, _FOCUS_COMPANY) for w in words):
            return None
    return None


# Words a folder of focus frames has beside the first: "focus run 3", "AF_012 L", "#AF coarse".
_FOCUS_COMPANY = _PLAIN | _set(
    "run runs sweep sweeps curve vcurve test tests auto fine coarse position positions pos step "
    "steps star series routine check scan try attempt data lights"
)
# Words that speak of how lights turned out.
_VERDICTS = _set(
    "in ok okay good best done checked fixed perfect sharp keep keepers keeper on off out bad poor "
    "soft lost drift drifted issue issues problem problems passed after was not no is improved"
)


def _focus_word(words: tuple[str, ...]) -> str | None:
    """Give the word a folder's name begins with, where the whole name speaks of focusing."""
    told = tuple(dropwhile(str.isdigit, words))  # "3 focus", "2026-03-01 AF"
    first, rest = "".join(told[:1]), told[1:]
    if told[:2] == ("auto", "focus"):
        first, rest = "autofocus", told[2:]
    if _is_verdict(words):
        return None
    if first in _FOCUS_FIRST:
        return first if _OBJECT_WORDS.isdisjoint(rest) else None
    # AF is also the name of stars: AF Andromedae, AF Cygni.
    return first if first == "af" and all(_is_plain(w, _FOCUS_COMPANY) for w in rest) else None


_FOCUS_FIRST = _set(
    "focus focusing focussing autofocus autofocusing vcurve focusrun focusruns focustest"
)
_OBJECT_WORDS = _set("nebula nebulae galaxy cluster field")


def _is_verdict(words: Sequence[str]) -> bool:
    return not _VERDICTS.isdisjoint(words)


_MASTERS = _set("master masters super")


def master_kind(words: tuple[str, ...]) -> Kind | None:
    """Tell what kind a master is of, by the words of its name."""
    return kind_in_file_name(tuple(word for word in words if word not in _MASTERS))
