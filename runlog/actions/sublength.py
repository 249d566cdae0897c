"""How long exposures should be, by what the log says of each setting."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Engine

from runlog.core.frame import Kind
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.worth.sub_length import Lengths, Limit, lengths, swamp_s
from runlog.core.worth.sub_record import Record, records
from runlog.core.worth.sub_words import spoiling_words, sub_words
from runlog.store.choose import list_frames
from runlog.store.engine import reading

SUB_KEYS = (
    "rig filter setting frames usual_s best_s low_s high_s too_short too_long usual_share swamp_s "
    "clip_s clipped_stars sky_e_s read_noise_e read_noise_from overhead_s spoilt_a_h spoilt_frames "
    "spell_frames open_shutter_s spoiling text why"
).split()


def sub_lengths(engine: Engine, selection: Selection = EVERYTHING) -> list[dict[str, Any]]:
    """Give for each rig, filter and camera setting the lengths that serve, or why none is known.

    Target and filter choose whose sky is meant; what spoils frames is learned from all of the rig.
    """
    rig = replace(selection, target=None, filter=None)
    with reading(engine) as connection:
        chosen = [f for f in list_frames(connection, selection) if f.is_light]
        rigs = tuple(sorted({f.context.rig for f in chosen}))
        every = list_frames(connection, rig) if rig != selection else chosen
        levels = [
            frame
            for kind in (Kind.BIAS, Kind.DARK)
            for frame in list_frames(connection, Selection(kind=kind.value, rigs=rigs))
        ]
    lights = [f for f in every if f.is_light]
    return [_row(record) for record in records(chosen, lights, levels)]


def _row(record: Record) -> dict[str, Any]:
    values: dict[str, Any] = dict.fromkeys(SUB_KEYS)
    spoiling = record.spoiling
    values |= {
        "rig": record.setting.rig,
        "filter": record.setting.filter,
        "setting": record.setting.words or None,
        "frames": record.frames,
        "usual_s": record.usual_s,
        "sky_e_s": record.sky_e_s,
        "read_noise_e": record.read_noise_e,
        "read_noise_from": record.read_noise_from,
        "overhead_s": record.overhead_s,
        "clip_s": record.clip_s,
        "clipped_stars": record.clipped_stars,
        "text": f"unknown, because {record.why}",
        "why": record.why or None,
    }
    if spoiling is not None:
        values |= {
            "spoilt_a_h": 3600 * spoiling.rate_a_s,
            "spoilt_frames": spoiling.frames,
            "spell_frames": spoiling.in_spells,
            "open_shutter_s": spoiling.open_s,
            "spoiling": spoiling_words(spoiling),
        }
    return values | _found(record)


def _found(record: Record) -> dict[str, Any]:
    conditions = record.conditions
    if conditions is None:
        return {}
    found = lengths(conditions)
    high_s, too_long = _longest(record, found)
    return {
        "best_s": found.best_s,
        "low_s": found.low_s,
        "high_s": high_s,
        "too_short": found.too_short.value,
        "too_long": too_long.value,
        "usual_share": found.share(conditions, record.usual_s) if record.usual_s else None,
        "swamp_s": swamp_s(conditions),
        "text": sub_words(record, found, high_s, too_long),
    }


def _longest(record: Record, found: Lengths) -> tuple[float | None, Limit]:
    """Give the longest length that serves, and what limits it."""
    if record.clip_s is not None and record.clip_s < (found.high_s or record.clip_s + 1):
        return record.clip_s, Limit.CLIPPED
    return found.high_s, Limit.NOTHING if found.high_s is None else Limit.SPOILT


def rigs_of(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Name the rigs of some rows, each once."""
    return list(dict.fromkeys(row["rig"] for row in rows))
