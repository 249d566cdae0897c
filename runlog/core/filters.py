"""One spelling per filter: L, R, G, B, Ha, OIII, SII, NII, Hb, Clear; bandwidths kept apart.

Decisions, all common practice, no source:

* A bare R, G, B in either case is a colour filter. Sloan and other photometric names stay apart:
  g', r', i', z', u', V, U, Rc, Ic and "Johnson B". A bare B is blue: only a name that says Johnson,
  Bessell or photometric makes it a photometric B.
* C and Clear are a clear filter (the C of CRGB); "none", "empty", "no filter", "unknown" are None.
* "Ha 3nm" and "Ha-7nm" are two filters, written "Ha 3nm" and "Ha 7nm"; a number of 100 nm or more
  is a wavelength and is left out.
* A slot number before a known name is dropped ("1-Red" is R); a slot number alone is "Slot 2".
* A name not known here, a double-band one included, is kept as written, trimmed.
"""

import re
import unicodedata
from collections.abc import Mapping
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
    "U": ("u", "johnsonu", "bessellu", "besselu"),
    "Johnson B": ("johnsonb", "bessellb", "besselb", "photometricb", "bj"),
    "Rc": ("rc", "cousinsr", "johnsonr", "bessellr", "besselr", "photometricr"),
    "Ic": ("ic", "cousinsi", "johnsoni", "besselli", "besseli", "photometrici"),
    "u'": ("up", "uprime", "sloanu", "sdssu"),
    "g'": ("gp", "gprime", "sloang", "sdssg"),
    "r'": ("rp", "rprime", "sloanr", "sdssr"),
    "i'": ("ip", "iprime", "sloani", "sdssi"),
    "z'": ("zp", "zprime", "sloanz", "sdssz"),
}
KNOWN_FILTERS = frozenset(_NAMES)
_CANONICAL = {spelling: name for name, spellings in _NAMES.items() for spelling in spellings}

_NOTHING = frozenset(
    {
        "", "none", "nofilter", "empty", "unknown", "undefined", "na", "null", "nil", "open", "no",
        "without", "notset", "unfiltered", "nan", "unnamed",
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


def fold_filter(raw: str | None, extra: Mapping[str, str] = NO_EXTRA) -> str | None:
    """Fold a filter's name to its one spelling; None where the name says "no filter" or nothing.

    Parameters
    ----------
    raw : str or None
        The name as the header writes it.
    extra : mapping of str to str
        Spellings from the settings to the name wanted, compared by `filter_key`. They win over
        the built-in ones; the names wanted are left as they are.
    """
    if raw is None:
        return None
    return (_wanted(raw, extra) if extra else None) or _fold(raw)


def _wanted(raw: str, extra: Mapping[str, str]) -> str | None:
    trimmed = raw.strip()
    if trimmed in extra.values():
        return trimmed
    key = filter_key(raw)
    return next((name for spelling, name in extra.items() if filter_key(spelling) == key), None)


@lru_cache(maxsize=4096)
def _fold(raw: str) -> str | None:
    text = _trim(raw)
    if filter_key(text) in _NOTHING:
        return None
    slot = _SLOT_ONLY.match(text)
    if slot:
        return f"Slot {int(slot[1])}"
    return _known(text) or _known(_SLOT_BEFORE.sub("", text, count=1)) or text


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
