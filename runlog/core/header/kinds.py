"""What a frame was taken for: by its header, else its folder, else its file name.

`auxiliary_reasons` looks at a whole run for the frames that claim to be lights and are not.
"""

from collections.abc import Sequence
from typing import NamedTuple

from runlog.core.frame import Card, Kind
from runlog.core.header.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.header.cards import CardIndex, number_and_unit
from runlog.core.header.kind_words import (
    STACK_WORDS,
    auxiliary_in_folders,
    auxiliary_in_name,
    auxiliary_in_target,
    calibration_in_target,
    kind_in_file_name,
    kind_in_folder,
    kind_in_header,
    master_kind,
    split_words,
    stack_word_in_folder,
)
from runlog.core.header.observatory import (
    kind_by_category,
    kind_by_product,
    master_by_product,
    spectrum_card,
)
from runlog.core.header.questions import Doubts

__all__ = ["AuxCandidate", "KindFound", "auxiliary_reasons", "decide_kind"]

ASSUMED = "assumed: nothing says otherwise"
_FOLDERS_LOOKED_AT = 3
# Longer than any single exposure of an amateur's rig (common practice, no source).
_LONGEST_SINGLE_S = 7200.0
# Focus, solve and snapshot frames are short; a longer one is a light whatever its name.
_LONGEST_AUXILIARY_S = 60.0
_EXPOSURES = frozenset({Kind.LIGHT, Kind.DARK, Kind.BIAS, Kind.FLAT, Kind.FLAT_DARK})
_NOT_A_COUNT = ("sequence", "requested", "planned", "index", "number in", "frame no", "#")


class KindFound(NamedTuple):
    """A frame's kind, what told it, and how many exposures it sums where the header says."""

    kind: Kind
    source: str
    combined: int | None = None


class Clues(NamedTuple):
    """What beside the header's own word tells the kind."""

    path_parts: Sequence[str]
    target: str | None
    exposure_s: float | None
    sum_of: int | None  # EXPTIME is this many times the single exposure


def decide_kind(index: CardIndex, clues: Clues, doubts: Doubts) -> KindFound:
    """Decide what a frame was taken for and say what told it."""
    folders, name = _split_path(clues.path_parts)
    words = split_words(name)
    found, is_master = _from_header_or_path(index, folders, words, doubts)
    found = _not_a_picture(index, found)
    if is_master:
        return KindFound(Kind.STACK, f"{found.source}: master of {found.kind}", _count(index))
    if found.kind not in _EXPOSURES:
        return found._replace(combined=_count(index))
    stack = _stack(index, clues, found, folders, words)
    if stack is not None:
        return stack
    if found.kind is not Kind.LIGHT:
        return found
    return _auxiliary(clues, folders, words) or _called_otherwise(clues, found, doubts)


def _called_otherwise(clues: Clues, found: KindFound, doubts: Doubts) -> KindFound:
    """Look at a light whose target has the name of a calibration frame.

    What the header says of the kind stands and is asked about. Where nothing says it is a light,
    the name is all there is, and is believed.
    """
    kind = calibration_in_target(clues.target) if clues.target else None
    if kind is None:
        return found
    if found.source == ASSUMED:
        return KindFound(kind, f"header: the target is called {clues.target}")
    text = f"the target is called {clues.target}; by {found.source} these are lights"
    doubts.ask("kind-target", text)
    return found


def _not_a_picture(index: CardIndex, found: KindFound) -> KindFound:
    """Tell masks, weights, sums and spectra, which headers call objects as well."""
    if found.kind not in (Kind.LIGHT, Kind.FLAT):
        return found
    product = kind_by_product(index)
    if product is not None:
        return KindFound(product.kind, f"header: {_quoted(product.card)}")
    card = spectrum_card(index)
    return found if card is None else KindFound(Kind.OTHER, f"header: spectrum, {_quoted(card)}")


def _quoted(card: Card) -> str:
    return f"{card.keyword} {card.value}"


def _split_path(parts: Sequence[str]) -> tuple[Sequence[str], str]:
    """Give the last folders, nearest first, and the file's name without endings."""
    if not parts:
        return (), ""
    return parts[-2 : -2 - _FOLDERS_LOOKED_AT : -1], stem(parts[-1])


def stem(name: str) -> str:
    """Give a file's name without its FITS and compression endings."""
    base = name
    for ending in (".gz", ".bz2", ".xz", ".z", ".fz", ".fits", ".fit", ".fts"):
        if base.lower().endswith(ending):
            base = base[: -len(ending)]
    return base


def _from_header_or_path(
    index: CardIndex, folders: Sequence[str], words: tuple[str, ...], doubts: Doubts
) -> tuple[KindFound, bool]:
    guess = _guess(folders, words)
    told = _from_header(index, doubts)
    if told is None:
        return guess or KindFound(Kind.LIGHT, ASSUMED), False
    kind, is_master, card = told
    if guess is not None and guess.kind is not kind:
        if kind is Kind.DARK and guess.kind is Kind.FLAT_DARK:
            # A dark for flats has no word of its own in most headers.
            return KindFound(Kind.FLAT_DARK, guess.source), is_master
        if {kind, guess.kind} <= _EXPOSURES:
            text = f"{card.keyword} says {card.value}, the {guess.source} says {guess.kind}"
            doubts.ask("kind-conflict", text)
    return KindFound(kind, "header"), is_master


def _from_header(index: CardIndex, doubts: Doubts) -> tuple[Kind, bool, Card] | None:
    exact = master_by_product(index)
    if exact is not None:
        return exact.kind, True, exact.card
    exact = kind_by_category(index)
    if exact is not None:
        return exact.kind, False, exact.card
    unknown = None
    for card in index.all("kind"):
        if not isinstance(card.value, str):
            continue
        told = kind_in_header(card.value)
        if told is not None:
            return *told, card
        if not card.value.isdigit():
            unknown = unknown or card
    if unknown is not None:
        text = f"{unknown.keyword} {unknown.value} is no kind of frame known here"
        doubts.ask("kind-unknown", text)
    return None


def _guess(folders: Sequence[str], words: tuple[str, ...]) -> KindFound | None:
    by_name = kind_in_file_name(words)
    for folder in folders:
        kind = kind_in_folder(folder)
        if kind is None:
            continue
        if by_name is Kind.FLAT_DARK and kind in (Kind.FLAT, Kind.DARK):
            break  # the name is the more exact of the two
        return KindFound(kind, "folder name")
    return None if by_name is None else KindFound(by_name, "file name")


def _count(index: CardIndex) -> int | None:
    """Give how many exposures went into a frame, where a card says more than one."""
    for card in index.all("combined"):
        found = number_and_unit(card)
        if found is None or not 1 < found[0] < 1e6:
            continue
        comment = card.comment.lower()
        if not any(word in comment for word in _NOT_A_COUNT):
            return int(found[0])
    return None


def _stack(
    index: CardIndex,
    clues: Clues,
    found: KindFound,
    folders: Sequence[str],
    words: tuple[str, ...],
) -> KindFound | None:
    """Tell a sum of exposures from a single one: by count, by name, by length."""
    combined = _count(index)
    of = f" of {found.kind}" if found.source != ASSUMED else ""
    if combined is not None:
        return KindFound(Kind.STACK, f"header: {combined} exposures combined{of}", combined)
    if clues.sum_of is not None:
        text = f"shape of the exposure: {clues.sum_of} times the single exposure"
        return KindFound(Kind.STACK, text, clues.sum_of)
    by_name = next((word for word in words if word in STACK_WORDS), None)
    if by_name is not None:
        kind = found.kind if found.source == "header" else master_kind(words) or found.kind
        return KindFound(Kind.STACK, f"file name: {by_name}, of {kind}")
    by_folder = stack_word_in_folder(folders[0]) if folders else None
    if by_folder is not None:
        return KindFound(Kind.STACK, f"folder name: {by_folder}, of {found.kind}")
    if clues.exposure_s is not None and clues.exposure_s > _LONGEST_SINGLE_S:
        text = f"shape of the exposure: {clues.exposure_s:g} s is longer than one exposure"
        return KindFound(Kind.STACK, text)
    return None


def _auxiliary(clues: Clues, folders: Sequence[str], words: tuple[str, ...]) -> KindFound | None:
    """Find a claimed light that its own names call a focus, solve or snapshot frame."""
    if clues.exposure_s is not None and clues.exposure_s > _LONGEST_AUXILIARY_S:
        return None
    told = auxiliary_in_target(clues.target) if clues.target else None
    if told is not None:
        return KindFound(told[0], f"header: the target is called {told[1]}")
    told = auxiliary_in_name(words)
    if told is not None:
        return KindFound(told[0], f"file name: {told[1]}")
    told = auxiliary_in_folders(folders)
    return None if told is None else KindFound(told[0], f"folder name: {told[1]}")
