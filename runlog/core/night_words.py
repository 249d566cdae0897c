"""How people name a night: its evening's date, or yesterday, last, -1, a day of the week."""

import re
from collections.abc import Sequence
from datetime import date, timedelta

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
SHORTEST = 3  # letters of a day's name
_BACK = re.compile(r"-([0-9]{1,4})")
OTHER_WORDS = ("last", "yesterday", "today")


def read_night(text: str, today: date, stored: Sequence[str]) -> str | None:
    """Give the evening's ISO date that is meant; None where the words name none.

    Parameters
    ----------
    text : str
        As typed: a date, "last" (the last night with lights), "-1" (the one before it),
        "today", "yesterday", or a day of the week: its last night that is stored, and where none
        is, its last evening.
    today : date
        By the person's clock.
    stored : sequence of str
        ISO dates of the nights with lights, newest first.
    """
    words = " ".join(text.lower().split()).removesuffix(" night")
    try:
        return date.fromisoformat(words).isoformat()
    except ValueError:
        return _by_word(words, today, stored)


def _by_word(words: str, today: date, stored: Sequence[str]) -> str | None:
    if words in ("today", "tonight"):
        return today.isoformat()
    if words == "yesterday":
        return (today - timedelta(days=1)).isoformat()
    back = 0 if words == "last" else _back(words)
    if back is not None:
        return stored[back] if back < len(stored) else None
    return _of_the_week(words.removeprefix("last "), today, stored)


def _back(words: str) -> int | None:
    found = _BACK.fullmatch(words)
    return int(found[1]) if found else None


def _of_the_week(word: str, today: date, stored: Sequence[str]) -> str | None:
    if len(word) < SHORTEST:
        return None
    number = next((n for n, name in enumerate(DAYS) if name.startswith(word)), None)
    if number is None:
        return None
    for night in stored:
        if date.fromisoformat(night).weekday() == number:
            return night
    return (today - timedelta(days=(today.weekday() - number) % 7)).isoformat()
