"""Totals per target and filter against goals: over all time or a part, by night, to publish."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Engine

from runlog.actions.goals import Wish, wish
from runlog.actions.names import one_target
from runlog.config import Settings
from runlog.core.goals import (
    Counting,
    Goal,
    GoalForm,
    Key,
    gain_of_next_hour,
    mosaics,
    set_against,
)
from runlog.core.header import HeaderRules
from runlog.core.publish import Batch
from runlog.core.seasons import season
from runlog.core.sequence import split_panel
from runlog.core.totals import Total
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store import totals as total_store
from runlog.store.engine import reading
from runlog.store.totals import Part

TOTAL_KEYS = (
    "target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s goal_s "
    "to_go_s frames_to_go nights share_kept gain_next_hour credited_s goal_form priority done "
    "mosaic panel"
).split()
GROWTH_KEYS = (
    "night target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s "
    "kept_so_far_s effective_so_far_s"
).split()
PLAIN = Settings()


def total_rows(
    engine: Engine,
    target: str | None = None,
    settings: Settings = PLAIN,
    part: Part | None = None,
) -> list[dict[str, Any]]:
    """List totals with the keys of `runlog.totals/1`; goals without frames yet included."""
    return [row_of(t) for t in totals_against_goals(engine, target, settings, part)]


def totals_against_goals(
    engine: Engine, target: str | None, settings: Settings, part: Part | None = None
) -> list[Total]:
    """Load totals, set against the goals; those of all time where no part is asked for."""
    with reading(engine) as connection:
        name = one_target(connection, target) if target is not None else None
        asked = part or Part(target=name)
        totals = total_store.totals(connection, asked)
        goals = goal_store.goals(connection)
    wanted = {key: goal for key, goal in goals.items() if _concerns(key[0], asked.target)}
    return set_against(totals, wanted, counting(settings))


def _concerns(target: str, asked: str | None) -> bool:
    """Tell whether a goal's target is the one asked about, its mosaic, or one of its panels."""
    return asked is None or asked in (target, *split_panel(target)) or target in split_panel(asked)


def counting(settings: Settings) -> Counting:
    """Give how the settings want time counted."""
    return Counting(settings.count_doubtful, settings.bands)


def rows_of(totals: Sequence[Total], wanted: Mapping[Key, Goal]) -> list[dict[str, Any]]:
    """Set totals against goals, and add a row for each goal nothing was shot for."""
    return [row_of(t) for t in set_against(totals, wanted, Counting())]


def row_of(total: Total) -> dict[str, Any]:
    """Write a total with the published keys."""
    base, panel = split_panel(total.target)
    extra = {
        "gain_next_hour": gain_of_next_hour(total),
        "mosaic": base if panel is not None else None,
        "panel": panel,
    }
    return {key: extra[key] if key in extra else getattr(total, key) for key in TOTAL_KEYS}


def part_of(
    engine: Engine,
    settings: Settings,
    target: str | None = None,
    named_season: str | None = None,
    since: str | None = None,
    until: str | None = None,
    rig: str | None = None,
) -> Part:
    """Check which part of all nights is asked about."""
    from runlog.actions.select import evening

    first, last = evening(since) if since else None, evening(until) if until else None
    if named_season is not None:
        if first or last:
            raise UsageError("A season has its own first and last night", cure="Leave one out")
        first, last = season(named_season, (settings.latitude_deg or 0.0) < 0)
    if first and last and first > last:
        raise UsageError(f"{first} comes after {last}", cure="--since is the earlier evening")
    name = None
    if target is not None:
        with reading(engine) as connection:
            name = one_target(connection, target)
    return Part(name, first, last, rig)


def mosaic_rows(totals: Sequence[Total]) -> list[dict[str, Any]]:
    """List mosaics, each as far along as its worst panel."""
    return [asdict(mosaic) for mosaic in mosaics(totals)]


def growth_rows(engine: Engine, part: Part) -> list[dict[str, Any]]:
    """List what each night added, with the sum so far of its target and filter."""
    with reading(engine) as connection:
        rows = total_store.by_night(connection, part)
    so_far: dict[Key, list[float | None]] = {}
    grown = []
    for row in rows:
        sums = so_far.setdefault((row.target, row.filter), [0.0, None])
        sums[0] = (sums[0] or 0.0) + row.kept_s
        if row.effective_s is not None:
            sums[1] = (sums[1] or 0.0) + row.effective_s
        entry = dict(row._mapping) | {"night": row.night or None}
        entry |= {"kept_so_far_s": sums[0], "effective_so_far_s": sums[1]}
        grown.append({key: entry[key] for key in GROWTH_KEYS})
    return grown


def published(engine: Engine, settings: Settings, part: Part) -> dict[str, list[Batch]]:
    """Gather kept frames by target for tables to publish; a mosaic's panels in one table."""
    with reading(engine) as connection:
        rows = total_store.lengths(connection, part, settings.count_doubtful)
    merged: dict[tuple[str, str, float | None], Batch] = {}
    for row in rows:
        key = (split_panel(row.target)[0], row.filter, row.exposure_s)
        have = merged.get(key)
        nights = [n for n in (have and have.first_night, row.first_night) if n]
        last = [n for n in (have and have.last_night, row.last_night) if n]
        merged[key] = Batch(
            *key,
            frames=row.frames + (have.frames if have else 0),
            first_night=min(nights, default=None),
            last_night=max(last, default=None),
        )
    tables: dict[str, list[Batch]] = {}
    for batch in merged.values():
        tables.setdefault(batch.target, []).append(batch)
    return tables


def set_goal(
    engine: Engine,
    target: str,
    filter_name: str,
    hours: float,
    who: str,
    filter_names: Mapping[str, str] | None = None,
) -> tuple[str, str]:
    """Set the hours wanted; 0 takes the goal away. Returns the folded names."""
    settings = Settings(rules=HeaderRules(filter_names=dict(filter_names or {})))
    goal = wish(engine, settings, Wish(target, filter_name, GoalForm.HOURS, hours), who)
    return goal.target, goal.filter
