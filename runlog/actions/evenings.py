"""The night a person names, by the clock of this machine and by the nights that are stored."""

from datetime import datetime

from sqlalchemy import Connection

from runlog.core.night_words import read_night
from runlog.errors import UsageError
from runlog.store.totals import nights_seen

WORDS = "last, -1 (the one before it), yesterday, friday"


def evening(connection: Connection, text: str) -> str:
    """Read a night; returns its evening in ISO form, or raises a usage error."""
    stored = nights_seen(connection)
    night = read_night(text, datetime.now().astimezone().date(), stored)
    if night is not None:
        return night
    if read_night(text, datetime.now().astimezone().date(), ["2000-01-01"] * 10_000):
        there = f"{len(stored)} with light frames are stored" if stored else "none is stored yet"
        raise UsageError(f"There is no night {text.strip()!r}: {there}", cure="See: runlog nights")
    raise UsageError(
        f"{text!r} is not a date",
        cure=f"Write the evening's date as in 2026-10-14, or one of these words: {WORDS}",
    )
