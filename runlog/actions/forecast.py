"""Forecast from the person's own record how many more nights each goal needs."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Engine

from runlog.actions.totals import counting
from runlog.config import Settings
from runlog.core.ledger.forecast import (
    FEWEST_NIGHTS,
    Pace,
    Yield,
    fewest_words,
    nights_needed,
    pace_of,
    span_words,
)
from runlog.core.ledger.goals import set_against
from runlog.core.ledger.totals import Total
from runlog.core.selection import Selection
from runlog.core.targets.sequence_words import split_panel
from runlog.store import goals as goal_store
from runlog.store import totals as total_store
from runlog.store.engine import reading
from runlog.store.totals import NightSums

FORECAST_KEYS = (
    "target filter priority goal_s kept_s to_go_s done nights_needed nights_few nights_many "
    "record_nights usual_night_s share_kept text"
).split()
CHANCE_KEYS = "date_20 date_50 date_80 season_end not_this_season chances".split()
NO_CHANCES: dict[str, Any] = dict.fromkeys(CHANCE_KEYS)


def forecast(
    engine: Engine, settings: Settings, selection: Selection, owner: str | None = None
) -> dict[str, Any]:
    """List the open goals by priority with the nights each needs; the pace beside them.

    Target and filter choose goals; a rig, a season or dates the record that is learned from, never
    the goals' progress. The goals are everybody's, or those of a login's own (`owner`).
    """
    with reading(engine) as connection:
        totals = total_store.totals(connection, Selection(target=selection.target))
        goals = goal_store.goals(connection, owner)
        everything = replace(selection, target=None, filter=None)
        record = total_store.by_night(connection, everything, with_worth=False)
    pace = pace_of([row.night for row in record if row.logged_s])
    against = set_against(totals, goals, counting(settings))
    wanted = [t for t in against if t.goal_s is not None and _asked(t, selection)]
    wanted.sort(key=lambda t: (bool(t.done), t.priority or 0, t.target, t.filter))
    return {
        "rows": [_row(t, yield_of(record, _sources(t.filter, settings)), pace) for t in wanted],
        "pace": _pace(record, pace),
    }


def is_open(row: Mapping[str, Any]) -> bool:
    """Tell whether anything is to go of a row's goal."""
    return not row["done"] and bool(row["to_go_s"])


def _asked(total: Total, selection: Selection) -> bool:
    """Tell whether a goal's row is asked about; a mosaic's with those of its panels."""
    names = (total.target, split_panel(total.target)[0])
    return selection.target in (None, *names) and selection.filter in (None, total.filter)


def _sources(filter_name: str, settings: Settings) -> set[str]:
    """Name the filters whose time counts for one: itself, and those that pass its band."""
    return {filter_name} | {f for f, bands in settings.bands.items() if filter_name in bands}


def yield_of(record: Sequence[NightSums], filters: set[str]) -> Yield:
    """Gather what each night brought through some filters, all targets together."""
    kept: dict[str, float] = {}
    logged = 0.0
    for row in record:
        if row.filter in filters and row.night and row.logged_s:
            kept[row.night] = kept.get(row.night, 0.0) + row.kept_s
            logged += row.logged_s
    return Yield(tuple(kept[night] for night in sorted(kept)), logged)


def _row(total: Total, record: Yield, pace: Pace) -> dict[str, Any]:
    need = nights_needed(total.to_go_s or 0.0, record)
    if total.done:
        text = "reached"
    else:
        text = span_words(need, pace) if need else fewest_words(record, total.filter)
    values = {
        "kept_s": total.counted_s,
        "nights_needed": need.likely if need else None,
        "nights_few": need.few if need else None,
        "nights_many": need.many if need else None,
        "record_nights": record.nights,
        "usual_night_s": record.usual_s,
        "share_kept": record.share_kept,
        "text": text,
    }
    return {key: values[key] if key in values else getattr(total, key) for key in FORECAST_KEYS}


def _pace(record: Sequence[NightSums], pace: Pace) -> dict[str, Any]:
    kept: dict[str, float] = {}
    for row in record:
        if row.night:
            kept[row.night] = kept.get(row.night, 0.0) + row.kept_s
    logged = sum(row.logged_s for row in record)
    return {
        "nights": pace.clear_nights,
        "days": pace.days,
        "share_of_nights": pace.share,
        "kept_a_night_s": sum(kept.values()) / len(kept) if kept else None,
        "share_kept": sum(row.kept_s for row in record) / logged if logged else None,
        "enough": pace.clear_nights >= FEWEST_NIGHTS,
    }
