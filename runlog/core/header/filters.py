"""One spelling per filter: L, R, G, B, Ha, OIII, SII, NII, Hb, Clear; bandwidths kept apart.

Decisions, all common practice, no source:

* A bare R, G, B in either case is a colour filter. Sloan and other photometric names stay apart:
  g', r', i', z', u', w, V, U, Rc, Ic and "Johnson B". A bare B is blue: only a name that says
  Johnson, Bessell or photometric makes it a photometric B. A bare i, z or u in lower case can only
  be Sloan's, a bare I only Cousins'. A bare g or r is Sloan's only where `System` says so; see
  `filter_cards` for what tells it.
* Survey and observatory names keep their band: "g DECam SDSS c0001 4720.0 1520.0", "SDSS-GP-189",
  "g#782", "g_G0301" are g'; "B_BESS", "B#639", "B Harris k1002" are Johnson B.
* C and Clear are a clear filter (the C of CRGB); "none", "empty", "no filter", "unknown" are None.
* "Ha 3nm" and "Ha-7nm" are two filters, written "Ha 3nm" and "Ha 7nm"; a number of 100 nm or more
  is a wavelength and is left out.
* A slot number before a known name is dropped ("1-Red" is R); a slot number alone is "Slot 2".
* A name not known here, a double-band one included, is kept as written, trimmed.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType

NO_FILTER = "(no filter)"  # what a frame without one counts under
NO_EXTRA: Mapping[str, str] = MappingProxyType({})

_NAMES: Mapping[str, tuple[str, ...]] = {
    "L": ("l", "lum", "lumi", "luminance", "luminosity", "luminanz", "luminancia", "luminosite"),
    "R": ("r", "red", "rot", "rouge", "rojo", "rosso"),
    "G": ("g", "green", "grn", "gruen", "grun", "vert", "verde"),
    "B": ("b", "blue", "blu", "blau", "bleu", "azul"),
    "Ha": ("ha", "halpha", "halfa", "hydrogenalpha", "halph"),
    "OIII": ("oiii", "o3", "oxygeniii", "oxygen3", "0iii"),
    "SII": ("sii", "s2", "sulfurii", "sulphurii", "sulfur2", "sulphur2"),
    "NII": ("nii", "n2", "nitrogenii", "nitrogen2"),
    "Hb": ("hb", "hbeta", "hydrogenbeta"),
    "Clear": ("clear", "clr", "c", "clearglass"),
    "V": ("v", "johnsonv", "bessellv", "besselv", "photometricv"),
    "U": ("johnsonu", "bessellu", "besselu"),
    "Johnson B": ("johnsonb", "bessellb", "besselb", "photometricb", "bj"),
    "Rc": ("rc", "cousinsr", "johnsonr", "bessellr", "besselr", "photometricr"),
    "Ic": ("ic", "cousinsi", "johnsoni", "besselli", "besseli", "photometrici"),
    "u'": ("up", "uprime", "sloanu", "sdssu"),
    "g'": ("gp", "gprime", "sloang", "sdssg"),
    "r'": ("rp", "rprime", "sloanr", "sdssr"),
    "i'": ("ip", "iprime", "sloani", "sdssi"),
    "z'": ("zp", "zs", "zprime", "sloanz", "sdssz"),
    "w": ("w",),
}
KNOWN_FILTERS = frozenset(_NAMES)
_CANONICAL = {spelling: name for name, spellings in _NAMES.items() for spelling in spellings}

_NOTHING = frozenset(
    {
        "", "none", "nofilter", "empty", "unknown", "undefined", "na", "null", "nil", "open", "no",
        "without", "notset", "unfiltered", "nan", "unnamed", "air", "free", "hole", "blank",
    }
)  # fmt: skip
# Words that say "I am a filter" and nothing more.
_NOISE = re.compile(r"\b(?:filter|narrow ?band|nb|emission|line|band ?pass|bandwidth)\b", re.I)
_BANDWIDTH = re.compile(
    r"\(?\s*(?<![0-9.,])([0-9]{1,3}(?:[.,][0-9]+)?)\s*(nm|å|angstroms?)(?![a-z])\s*\)?", re.I
)
_SLOT = r"(?:(?:slot|filter|position|pos|wheel)[\s_\-:#.]*|#)?"
_SLOT_ONLY = re.compile(_SLOT + r"0*([0-9]{1,2})\Z", re.I)
_SLOT_BEFORE = re.compile(_SLOT + r"[0-9]{1,2}[\s_\-:.)]+(?=\S)", re.I)
_PRIME = re.compile(r"(?:(?:sloan|sdss)[\s_\-]*)?([ugriz])[\s_\-]*['′’`´]\Z", re.I)
_NOT_WORD = re.compile(r"[\W_]+")
_LARGEST_BANDWIDTH_NM = 100.0


@lru_cache(maxsize=4096)
def filter_key(raw: str) -> str:
    """Reduce a filter's name to what two spellings of it share: letters and digits, lower case.

    The prime of the Sloan filters counts: g' and g are two filters.
    """
    prime = _PRIME.match(raw)
    return f"{prime[1].lower()}'" if prime else _letters(raw)


def _letters(text: str) -> str:
    if not text.isascii():
        text = text.replace("α", "alpha").replace("β", "beta").replace("Α", "alpha")
        parts = unicodedata.normalize("NFKD", text)
        text = "".join(part for part in parts if not unicodedata.combining(part))
    return _NOT_WORD.sub("", text).lower()


class System(StrEnum):
    """Which set a filter of one letter belongs to, where something beside its name tells it."""

    UNKNOWN = "unknown"  # a camera's colour filters
    SLOAN = "Sloan"
    JOHNSON = "Johnson and Cousins"


def fold_filter(
    raw: str | None, extra: Mapping[str, str] = NO_EXTRA, system: System = System.UNKNOWN
) -> str | None:
    """Fold a filter's name to its one spelling; None where the name says "no filter" or nothing.

    Parameters
    ----------
    raw : str or None
        The name as the header writes it.
    extra : mapping of str to str
        Spellings from the settings to the name wanted, compared by `filter_key`. They win over
        the built-in ones; the names wanted are left as they are.
    system : System
        What letters stand for that are used by several sets.
    """
    if raw is None:
        return None
    return (_wanted(raw, extra) if extra else None) or _fold(raw, system)


def _wanted(raw: str, extra: Mapping[str, str]) -> str | None:
    trimmed = raw.strip()
    if trimmed in extra.values():
        return trimmed
    key = filter_key(raw)
    return next((name for spelling, name in extra.items() if filter_key(spelling) == key), None)


@lru_cache(maxsize=4096)
def _fold(raw: str, system: System) -> str | None:
    text = _trim(raw)
    if filter_key(text) in _NOTHING or _EMPTY_SLOT.match(text):
        return None
    slot = _SLOT_ONLY.match(text)
    if slot:
        return f"Slot {int(slot[1])}"
    if _CLEAR_SLOT.match(text):
        return "Clear"
    for candidate in (text, _SLOT_BEFORE.sub("", text, count=1)):
        name = _letter(candidate, system) or _known(candidate)
        if name is not None:
            return name
    return _band_in_words(text) or text


# --- photometric bands ----------------------------------------------------------------------

_SLOAN = {letter: f"{letter}'" for letter in "ugriz"} | {"w": "w", "y": "Y"}
_JOHNSON = {"U": "U", "B": "Johnson B", "V": "V", "R": "Rc", "I": "Ic"}
# Words of surveys and makers (common practice, no source).
_SLOAN_WORD = re.compile(
    r"(?<![a-z])(?:sdss|sloan|decam|ps-?1|pan-?starrs|pstr|hsc|ztf|lsst)(?![a-z])", re.IGNORECASE
)
_JOHNSON_WORD = re.compile(
    r"(?<![a-z])(?:bes(?:s(?:ell?)?)?|bssl|john(?:son)?|cous(?:ins)?|kron(?:-?cousins|s)?|harris)"
    r"(?![a-z])",
    re.IGNORECASE,
)
_SLOAN_BAND = re.compile(r"([ugrizyw])(?:p|s|d|[\s_]*prime|['′’`´])?\Z", re.IGNORECASE)
_JOHNSON_BAND = re.compile(r"([UBVRI])c?\Z", re.IGNORECASE)
# A band with a number of the observatory's: "g#782", "g.MP9401", "r_G0303".
_NUMBERED = re.compile(r"([A-Za-z]+)(?:#[0-9]{2,4}|[._][A-Z]{1,2}[0-9]{4})\Z")
_IN_WORDS = re.compile(r"\A([griz])[\s_\-]*band\Z")
_PRIMED = re.compile(r"(?:\A|[\s_\-])([ugriz])['′’`´](?=\Z|[\s_])")
_CLEAR_SLOT = re.compile(r"clear[\s_\-]?[0-9][a-z]?\Z", re.IGNORECASE)
_EMPTY_SLOT = re.compile(r"(?:open|free|hole|blank)[\s_\-]?[0-9][0-9\-]*\Z", re.IGNORECASE)


def system_in(text: str) -> System:
    """Tell which set of filters a text speaks of."""
    if _SLOAN_WORD.search(text):
        return System.SLOAN
    return System.JOHNSON if _JOHNSON_WORD.search(text) else System.UNKNOWN


def _letter(text: str, system: System) -> str | None:
    """Name the photometric band of a single letter, alone or with an observatory's number."""
    numbered = _NUMBERED.match(text)
    if numbered:
        letters = numbered[1]
        return _SLOAN.get(letters) or _JOHNSON.get(letters) or _name(letters)
    if text in "izu" or (system is System.SLOAN and text in "gr"):
        return _SLOAN.get(text)
    return _JOHNSON.get(text) if text in "UI" or system is System.JOHNSON else None


def _band_in_words(text: str) -> str | None:
    """Name the band that a name of several words tells; None where it tells none."""
    told = _IN_WORDS.findall(text) or _PRIMED.findall(text)
    if told:
        return _SLOAN[told[0].lower()] if len(told) == 1 else None
    system = system_in(text)
    if system is System.UNKNOWN:
        return None
    return _band_among(re.split(r"[\s_\-.,:#/]+", text), system)


def _band_among(words: Sequence[str], system: System) -> str | None:
    """Find the one letter among a name's words."""
    pattern, bands = (_SLOAN_BAND, _SLOAN) if system is System.SLOAN else (_JOHNSON_BAND, _JOHNSON)
    found = [match[1] for match in map(pattern.match, words) if match]
    if len(found) != 1:
        return None
    return bands[found[0].lower() if system is System.SLOAN else found[0].upper()]


def _trim(raw: str) -> str:
    text = " ".join(raw.split())
    while len(text) > 1 and text[0] == text[-1] and text[0] in "'\"":
        text = text[1:-1].strip()
    return text


def _known(text: str) -> str | None:
    text = text.replace("_", " ")
    bandwidth = _BANDWIDTH.search(text)
    if bandwidth:
        text = f"{text[: bandwidth.start()]} {text[bandwidth.end() :]}".strip()
    name = _name(text) or _name(_NOISE.sub(" ", text).strip())
    if name is None or bandwidth is None:
        return name
    width_nm = _width_nm(bandwidth[1], bandwidth[2])
    return f"{name} {width_nm:g}nm" if 0.1 <= width_nm < _LARGEST_BANDWIDTH_NM else name


def _name(text: str) -> str | None:
    prime = _PRIME.match(text)
    return f"{prime[1].lower()}'" if prime else _CANONICAL.get(_letters(text))


def _width_nm(number: str, unit: str) -> float:
    width = float(number.replace(",", "."))
    return round(width if unit.lower() == "nm" else width / 10, 2)
