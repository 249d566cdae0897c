"""The nights to come: which are good for each goal, and whether its season is long enough."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine

from runlog.actions.plan_knowledge import RigAtWork, places_of
from runlog.actions.rig_night import actions_for, setting_of
from runlog.actions.sharing import shared_out
from runlog.actions.tonight import Asked, chosen_rigs, evening, rigs_among, wanted_of
from runlog.config import Settings
from runlog.core.plan.season import A_YEAR, COARSE_MIN, FINE_MIN, Outlook, Season, outlook, seasons
from runlog.core.plan.sky_grid import night_name
from runlog.core.plan.wanted import Action, Knowledge, Setting, Wanted
from runlog.core.sky.nights import noon_before
from runlog.errors import UsageError
from runlog.store.engine import reading

AHEAD_KEYS = (
    "night target filter rig dark_s usable_s moonless_s effective_s rank season_end"
).split()
MOST_NIGHTS = 366
USUAL_NIGHTS = 60


@dataclass(frozen=True)
class Prospect:
    """A goal and its nights to come."""

    wanted: Wanted
    rig: str
    season: Season | None  # None: its place is not known
    season_begins: str | None
    season_end: str | None
    rows: tuple[dict[str, Any], ...]  # with the keys of `runlog.ahead/1`, by night
    known: Knowledge
    others: tuple[str, ...] = ()  # rigs that may serve it as well, which is not counted

    @property
    def moonless_share(self) -> float | None:
        """Share of the usable time, over the nights asked about, that has no Moon in it."""
        usable_s = sum(row["usable_s"] for row in self.rows)
        return sum(row["moonless_s"] for row in self.rows) / usable_s if usable_s else None

    @property
    def can_finish(self) -> bool | None:
        """Whether the season still gives what is to go at the person's pace; None: no saying."""
        if self.season is None or self.wanted.to_go_s is None or self.known.clear is None:
            return None
        return self.season.obtainable_s >= self.wanted.to_go_s


@dataclass(frozen=True)
class Ahead:
    """Goals with their nights to come."""

    first: date
    nights: int
    goals_set: bool
    prospects: tuple[Prospect, ...]


def ahead(engine: Engine, settings: Settings, asked: Asked, nights: int = USUAL_NIGHTS) -> Ahead:
    """Look ahead some nights, for the goals of a selection."""
    if not 1 <= nights <= MOST_NIGHTS:
        raise UsageError(f"{nights} nights are out of range", cure=f"1 to {MOST_NIGHTS}")
    with reading(engine) as connection:
        return _ahead(connection, settings, asked, nights)


def _ahead(connection: Connection, settings: Settings, asked: Asked, nights: int) -> Ahead:
    rigs = chosen_rigs(connection, settings, asked)
    book = wanted_of(connection, rigs[0].settings, asked.selection)
    shares = shared_out(book.open, rigs_among(connection, settings, asked, rigs))
    found: list[Prospect] = []
    evenings = []
    for rig in rigs:
        site = rig.site
        assert site is not None  # a rig without one was refused
        first = evening(asked, site, rig.settings)
        evenings.append(first)
        wanted = sorted(shares.own[rig.rig_id], key=lambda w: w.order)
        actions = actions_for(rig, wanted)
        setting = setting_of(rig, actions, noon_before(first, site.longitude_deg))
        found += [
            replace(one, others=shares.others(rig, one.wanted.filter))
            for one in _prospects(connection, rig, (wanted, actions, setting), nights)
        ]
    found.sort(key=lambda p: p.wanted.order)
    return Ahead(min(evenings), nights, book.goals_set, tuple(found))


def _prospects(
    connection: Connection,
    rig: RigAtWork,
    asked: tuple[Sequence[Wanted], Sequence[Action], Setting],
    nights: int,
) -> list[Prospect]:
    wanted, actions, setting = asked
    places = places_of(connection, [a.target for a in actions])
    placed = [a for a in actions if a.target in places]
    year = outlook(setting, placed, places, A_YEAR, COARSE_MIN)
    near = outlook(setting, placed, places, nights, FINE_MIN)
    times = seasons(year, placed, wanted, setting)
    return [
        _prospect(rig, setting, (goal, season), (near, placed, number))
        for number, (goal, season) in enumerate(zip(wanted, times, strict=True))
    ]


def _prospect(
    rig: RigAtWork,
    setting: Setting,
    goal: tuple[Wanted, Season | None],
    near: tuple[Outlook, Sequence[Action], int],
) -> Prospect:
    wanted, season = goal
    looked, actions, number = near
    begins = ends = None
    if season is not None and season.begins is not None:
        begins = night_name(setting.noon, setting.site, season.begins)
        if season.ends is not None:
            ends = night_name(setting.noon, setting.site, season.ends)
    own = [i for i, action in enumerate(actions) if number in action.serves]
    rows: list[dict[str, Any]] = []
    if own:
        best = max(own, key=lambda i: float(looked.effective_s[i].sum()))
        rows = list(_rows(rig.name, setting, wanted, (looked, best), ends))
    return Prospect(wanted, rig.name, season, begins, ends, tuple(rows), setting.known)


def _rows(
    rig: str, setting: Setting, wanted: Wanted, of: tuple[Outlook, int], season_end: str | None
) -> list[dict[str, Any]]:
    looked, i = of
    ranks = np.empty(looked.nights, dtype=int)
    ranks[np.argsort(-looked.effective_s[i], kind="stable")] = np.arange(1, looked.nights + 1)
    return [
        {
            "night": night_name(setting.noon, setting.site, n),
            "target": wanted.target,
            "filter": wanted.filter,
            "rig": rig,
            "dark_s": float(looked.dark_s[i, n]),
            "usable_s": float(looked.usable_s[i, n]),
            "moonless_s": float(looked.moonless_s[i, n]),
            "effective_s": float(looked.effective_s[i, n]),
            "rank": int(ranks[n]) if looked.effective_s[i, n] > 0 else None,
            "season_end": season_end,
        }
        for n in range(looked.nights)
    ]


def prospect_words(found: Prospect) -> str:
    """Say whether a goal can be reached in its season."""
    from runlog.core.plan.ahead_words import season_words
    from runlog.core.plan.shared_words import counted_words

    said = season_words(
        found.wanted,
        found.season,
        (found.season_begins, found.season_end),
        found.known.clear,
        found.moonless_share,
    )
    return "; ".join(filter(None, [said, counted_words(found.rig, found.others)]))
