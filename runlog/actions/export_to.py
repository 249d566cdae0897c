"""Export to one place: a tree of links, a table or a list of paths; nothing is written over."""

import os
from math import fsum

from sqlalchemy import Engine

from runlog.actions.export import EXPORT_KEYS, Keepers, export_rows, kept, link_tree
from runlog.actions.selecting import vocabulary
from runlog.config import Settings
from runlog.core.columns import hours, plural
from runlog.core.csv_text import csv_text
from runlog.core.plain_words import understand
from runlog.core.selection import Selection
from runlog.errors import RunlogError, UsageError

TABLE, LIST = ".csv", ".txt"
WAYS = (f"FOLDER for links, as target/filter/night; NAME{TABLE} for a table; NAME{LIST} for a list "
        "of paths. What is there is never written over")  # fmt: skip
NAMED = 3  # of what could not be linked


def meant_by(engine: Engine, settings: Settings, words: str) -> Selection:
    """Choose the frames that plain words find, of all nights."""
    return Selection(terms=understand(words, vocabulary(engine, settings)).terms)


def gathered(engine: Engine, selection: Selection, doubtful: bool) -> Keepers:
    """Load what would be exported."""
    return kept(engine, selection, doubtful)


def in_words(found: Keepers, doubtful: bool) -> str:
    """Say what would be exported."""
    grades = "kept or doubtful" if doubtful else "kept"
    if not found.frames:
        return f"No {grades} frame to export{_gone(found)}"
    seconds = fsum(keeper.exposure_s or 0.0 for keeper in found.frames)
    many = len(found.frames)
    frames = f"{many:,} {grades} frame{'s' * (many != 1)}"
    return f"{frames}, {hours(seconds)}{_gone(found)}"


def _gone(found: Keepers) -> str:
    if not found.gone:
        return ""
    many = len(found.gone)
    verb, whose = ("is", "its") if many == 1 else ("are", "their")
    return f" ({many:,} more {verb} not on disk now: plug in {whose} disk)"


def export_to(found: Keepers, typed: str) -> str:
    """Write where a person says; returns what was made, in words."""
    if not typed.strip():
        raise UsageError("No place is named", cure=WAYS)
    if not found.frames:
        raise UsageError("There is nothing to export")
    place = os.path.abspath(os.path.expanduser(typed.strip()))
    if place.endswith(TABLE):
        _write_new(place, csv_text(export_rows(found), EXPORT_KEYS).encode())
        return f"Table of {plural(len(found.frames), 'frame')}: {place}"
    if place.endswith(LIST):
        return _listed(found, place)
    return _linked(found, place)


def _listed(found: Keepers, place: str) -> str:
    _write_new(place, b"".join(keeper.path + b"\n" for keeper in found.frames))
    broken = sum(b"\n" in keeper.path for keeper in found.frames)
    odd = f"; {plural(broken, 'path')} with a line break in it" if broken else ""
    return f"List of {plural(len(found.frames), 'path')}: {place}{odd}"


def _write_new(place: str, text: bytes) -> None:
    """Write a file that is not there yet; what could not be written whole is not left behind."""
    try:
        with open(place, "xb") as file:
            try:
                file.write(text)
                file.flush()
            except OSError:
                os.unlink(place)
                raise
    except FileExistsError:
        raise UsageError("There is such a file; it was left alone", place) from None
    except OSError as error:
        raise RunlogError(error.strerror or "It could not be written", place) from error


def _linked(found: Keepers, place: str) -> str:
    result = link_tree(os.fsencode(place), found.frames, hard=False, dry_run=False)
    said = f"{len(result.made):,} linked, {result.there:,} there before: {place}"
    refused = [f"{os.fsdecode(path)}: {why}" for path, why in result.refused[:NAMED]]
    more = len(result.refused) - len(refused)
    also = [f"{more:,} more"] if more else []
    return "; not linked: ".join([said, *refused, *also])
