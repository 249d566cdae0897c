"""Finish dates with chances beside a forecast: own record, the sky ahead, goals that compete."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine

from runlog.actions.forecast import CHANCE_KEYS, NO_CHANCES, is_open
from runlog.actions.plan_knowledge import RigAtWork, places_of
from runlog.actions.rig_night import actions_for, setting_of
from runlog.actions.sharing import shared_out
from runlog.actions.tonight import Asked, chosen_rigs, evening, rigs_among, wanted_of
from runlog.config import Settings
from runlog.core.ledger.forecast import FEWEST_NIGHTS
from runlog.core.plan.season import A_YEAR, COARSE_MIN, Outlook, Season, outlook, seasons, urgency
from runlog.core.plan.shared_words import counted_words
from runlog.core.plan.sky_grid import MINUTE, SkyGrid
from runlog.core.plan.wanted import Action, Setting, Wanted
from runlog.core.selection import Selection
from runlog.core.sky.earth import Floats, Site
from runlog.core.sky.ephemeris import ASTRONOMICAL_TWILIGHT_DEG
from runlog.core.sky.nights import noon_before
from runlog.core.sky.sidereal import days_since_j2000
from runlog.core.worth.chance_words import chance_words
from runlog.core.worth.chances import Chance, Open, chances, record_of
from runlog.errors import UsageError
from runlog.store.engine import reading

SLOT_MIN = 15.0
Named = tuple[str, str]  # target and filter


@dataclass(frozen=True)
class _Way:
    """A rig's goals, the nights to come, and what they give."""

    rig: RigAtWork
    first: date
    setting: Setting
    wanted: Sequence[Wanted]
    actions: Sequence[Action]
    looked: Outlook
    seasons: Sequence[Season | None]


def with_chances(
    engine: Engine, settings: Settings, asked: Asked, rows: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Put finish dates beside the rows of a forecast; where none is known, why."""
    with reading(engine) as connection:
        try:
            rigs = chosen_rigs(connection, settings, asked)
        except UsageError as error:  # no site: the rest of the forecast stands
            missing = _why(f"{error.what[0].lower()}{error.what[1:]}")
            return [row | (missing if is_open(row) else NO_CHANCES) for row in rows]
        known = _known(connection, settings, asked, rigs)
    elsewhere = _why("no rig at work serves it")
    return [
        row | (known.get((row["target"], row["filter"]), elsewhere) if is_open(row) else NO_CHANCES)
        for row in rows
    ]


def _known(
    connection: Connection, settings: Settings, asked: Asked, rigs: Sequence[RigAtWork]
) -> dict[Named, dict[str, Any]]:
    """Find the chances of all open goals: those that are not asked about take nights as well."""
    part = asked.selection
    every = wanted_of(connection, settings, Selection(), owner=asked.owner).open
    shares = shared_out(every, rigs_among(connection, settings, asked, rigs))
    found: dict[Named, dict[str, Any]] = {}
    for rig in rigs:
        assert rig.site is not None  # a rig without one was refused
        first = evening(asked, rig.site, rig.settings)
        own = replace(rig, record=tuple(r for r in rig.record if _learned(r.night, part)))
        wanted = sorted(shares.own[rig.rig_id], key=lambda w: w.order)
        for key, row in _of_rig(connection, own, first, wanted).items():
            found[key] = _counted(row, rig.name, shares.others(rig, key[1]))
    for goal, whose in shares.all():
        found.setdefault(goal.key, _why(f"its nights are counted with {whose.name}"))
    return found


def _counted(row: dict[str, Any], rig: str, others: Sequence[str]) -> dict[str, Any]:
    """Say beside dates that they are those of one rig, where others may take part."""
    if not others or row["not_this_season"] is None:
        return row
    return row | {"chances": f"{row['chances']}; {counted_words(rig, others)}"}


def _learned(night: str, part: Selection) -> bool:
    return bool(night) and (part.since or "") <= night <= (part.until or "9999")


def _of_rig(
    connection: Connection, rig: RigAtWork, first: date, wanted: Sequence[Wanted]
) -> dict[Named, dict[str, Any]]:
    assert rig.site is not None
    kept = _kept(rig)
    if len(kept) < FEWEST_NIGHTS:
        return _unknown(wanted, f"fewer than {FEWEST_NIGHTS} nights with frames are stored")
    record = record_of(kept, _dark_s(sorted(kept), rig.site))
    if not record.shares.any():
        return _unknown(wanted, "nothing was kept on a night with an hour of dark")
    way = _way(connection, rig, first, wanted)
    goals = {n: goal for n in range(len(wanted)) if (goal := _open(way, n)) is not None}
    months = np.array([(first + timedelta(days=n)).month - 1 for n in range(A_YEAR)])
    dark_s = way.looked.dark_s.max(axis=0, initial=0.0)
    drawn = chances(list(goals.values()), dark_s, months, record) if goals else []
    found = dict(zip(goals, drawn, strict=True))
    return {
        (goal.target, goal.filter): _row(way, n, found[n])
        if n in found
        else _why("the place of its target is not known, or it is not up in the dark")
        for n, goal in enumerate(wanted)
    }


def _unknown(wanted: Sequence[Wanted], why: str) -> dict[Named, dict[str, Any]]:
    return {(goal.target, goal.filter): _why(why) for goal in wanted}


def _why(why: str) -> dict[str, Any]:
    return NO_CHANCES | {"chances": f"unknown, because {why}"}


# --- what is known --------------------------------------------------------------------------


def _kept(rig: RigAtWork) -> dict[date, float]:
    found: dict[date, float] = {}
    for row in rig.record:
        if row.logged_s:
            night = date.fromisoformat(row.night)
            found[night] = found.get(night, 0.0) + row.kept_s
    return found


def _dark_s(nights: Sequence[date], site: Site) -> dict[date, float]:
    """Measure the dark of nights that were."""
    slots = round(1440 / SLOT_MIN)
    offsets = (np.arange(slots) + 0.5) * SLOT_MIN * MINUTE
    noons = [days_since_j2000(noon_before(night, site.longitude_deg)) for night in nights]
    days = np.array(noons)[:, None] + offsets
    dark = (SkyGrid(days.ravel(), site).sun_alt_deg < ASTRONOMICAL_TWILIGHT_DEG).reshape(days.shape)
    return dict(zip(nights, (dark.sum(axis=1) * SLOT_MIN * 60).tolist(), strict=True))


def _way(connection: Connection, rig: RigAtWork, first: date, wanted: Sequence[Wanted]) -> _Way:
    assert rig.site is not None
    actions = actions_for(rig, wanted)
    setting = setting_of(rig, actions, noon_before(first, rig.site.longitude_deg))
    places = places_of(connection, [a.target for a in actions])
    placed = [a for a in actions if a.target in places]
    looked = outlook(setting, placed, places, A_YEAR, COARSE_MIN)
    found = seasons(looked, placed, wanted, setting)
    return _Way(rig, first, setting, wanted, placed, looked, found)


def _open(way: _Way, number: int) -> Open | None:
    """Give a goal as it competes: by the action that serves it best; None where none does."""
    own = [i for i, action in enumerate(way.actions) if number in action.serves]
    season, wanted = way.seasons[number], way.wanted[number]
    if not own or season is None or season.begins is None or wanted.to_go_s is None:
        return None
    best = max(own, key=lambda i: float(way.looked.effective_s[i].sum()))
    usable, effective = way.looked.usable_s[best], way.looked.effective_s[best]
    enough = usable >= way.setting.limits.season_hours * 3600
    usable = np.where(enough, usable, 0.0)
    rate: Floats = np.divide(effective, usable, out=np.zeros(len(usable)), where=usable > 0)
    return Open(wanted.to_go_s, usable, rate, urgency(wanted, season).priority, season.ends)


# --- rows -----------------------------------------------------------------------------------


def _row(way: _Way, number: int, chance: Chance) -> dict[str, Any]:
    season = way.seasons[number]
    assert season is not None
    dates = [_day(way.first, n) for n in chance.at]
    end = _day(way.first, season.ends)
    words = chance_words(dates, end, chance.not_in_season, now=season.now)
    values = [*dates, end, chance.not_in_season, words]
    return dict(zip(CHANCE_KEYS, values, strict=True))


def _day(first: date, later: int | None) -> str | None:
    return None if later is None else (first + timedelta(days=later)).isoformat()
