"""How far a frame has been processed: cards, history, colour planes, folder and file name.

CALSTAT names the calibration steps done (B bias, D dark, F flat) and ZEROCOR, DARKCOR, FLATCOR hold
a remark once done (NOAO dictionary 1.0); the words are common practice, no source. Conservative: a
processed copy taken for raw is only less welcome, a raw frame taken for processed would be passed
over for its copies.
"""

import re
from collections.abc import Iterable
from functools import lru_cache

from runlog.core.frame import Card, Shape, Stage
from runlog.core.header.cards import CardIndex

_NOT_DONE = frozenset({"", "F", "FALSE", "NO", "N", "NONE", "OMIT", "PERFORM", "0", "OFF", "RAW"})
_STEPS = frozenset("BDFMSC ,/")
# Each with plain parts of its words: looking for those first spares most histories the search.
_HISTORY = (
    (
        Stage.REGISTERED,
        ("register", "align", "resampl"),
        re.compile(r"\b(?:registered|star[- ]aligned|aligned to|resampled)\b"),
    ),
    (
        Stage.DEBAYERED,
        ("bayer", "mosaic"),
        re.compile(r"\b(?:debayer(?:ed|ing)?|demosaic(?:ed|k?ing)?)\b"),
    ),
    (
        Stage.CALIBRATED,
        ("calibrated", "subtract", "corrected", "fielded", "divided"),
        re.compile(
            r"\bcalibrated\b"
            r"|\b(?:bias|dark|zero)[- ](?:frame )?(?:subtracted|corrected|subtraction)\b"
            r"|\bflat[- ](?:fielded|field(?:ing)? corrected|corrected|divided)\b"
        ),
    ),
)
_NEGATED = re.compile(r"\b(?:not|un|no|never|without)[- ]?(?:been )?\w*\s*\Z")
_NAME_WORDS = {
    "cal": Stage.CALIBRATED, "calibrated": Stage.CALIBRATED,
    "deb": Stage.DEBAYERED, "debayer": Stage.DEBAYERED, "debayered": Stage.DEBAYERED,
    "reg": Stage.REGISTERED, "registered": Stage.REGISTERED, "aligned": Stage.REGISTERED,
}  # fmt: skip
# "_c", then perhaps "_cc", "_d", "_r": single letters count only in a chain that starts with _c
# behind a digit or a longer word, because R, C and d also name filters and dates.
_LETTERS = re.compile(r"(?:[0-9]|[A-Za-z]{2})_c((?:_cc)?)((?:_d)?)((?:_r)?)\Z")
_NAME_END = re.compile(r"[_\-. ]([A-Za-z]+)\Z")


def stage_by_cards(index: CardIndex, shape: Shape) -> Stage:
    """Give the furthest stage that the header and the pixels' type tell of."""
    return _furthest(_by_shape(shape), _by_cards(index), _by_history(index.remarks))


def decide_stage(by_cards: Stage, folder: str, stem: str) -> Stage:
    """Give the furthest stage that anything tells of, names of file and folder too."""
    return _furthest(by_cards, _by_name(stem), _by_folder(folder))


def _furthest(*found: Stage) -> Stage:
    return max(found, key=lambda stage: stage.rank)


def _by_shape(shape: Shape) -> Stage:
    if shape.planes >= 3:
        return Stage.DEBAYERED
    # No camera delivers floating-point pixels; arithmetic does (common practice, no source).
    return Stage.CALIBRATED if shape.bitpix < 0 else Stage.RAW


def _by_cards(index: CardIndex) -> Stage:
    if _any_done(index.all("registered")):
        return Stage.REGISTERED
    if _any_done(index.all("debayered")):
        return Stage.DEBAYERED
    if _any_done(index.all("calibration_step")):
        return Stage.CALIBRATED
    status = index.first("calibration_status")
    if status is None or not isinstance(status.value, str):
        return Stage.RAW
    steps = status.value.upper()
    done = steps == "CALIBRATED" or (set(steps) <= _STEPS and set(steps) & set("BDF"))
    return Stage.CALIBRATED if done else Stage.RAW


def _any_done(cards: Iterable[Card]) -> bool:
    return any(_is_done(card) for card in cards)


def _is_done(card: Card) -> bool:
    value = card.value
    if isinstance(value, str):
        return value.upper() not in _NOT_DONE
    return bool(value)


def _by_history(remarks: str) -> Stage:
    if not remarks:
        return Stage.RAW
    text = remarks.lower()
    for stage, parts, words in _HISTORY:
        if any(part in text for part in parts) and _said(words, text):
            return stage
    return Stage.RAW


def _said(words: re.Pattern[str], text: str) -> bool:
    """Tell whether a remark says something was done, and not that it was not."""
    return any(
        _NEGATED.search(text[max(0, match.start() - 20) : match.start()]) is None
        for match in words.finditer(text)
    )


def _by_name(stem: str) -> Stage:
    letters = _LETTERS.search(stem)
    if letters:
        _, debayered, registered = letters.groups()
        if registered:
            return Stage.REGISTERED
        return Stage.DEBAYERED if debayered else Stage.CALIBRATED
    end = _NAME_END.search(stem)
    return _NAME_WORDS.get(end[1].lower(), Stage.RAW) if end else Stage.RAW


@lru_cache(maxsize=4096)
def _by_folder(folder: str) -> Stage:
    """Give the stage a folder names, only where that word is its whole name."""
    word = folder.strip().lower()
    return _NAME_WORDS.get(word, Stage.RAW) if len(word) > 3 else Stage.RAW
