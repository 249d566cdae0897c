"""The nights to come: what each could give each goal, until its season ends."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.plan.sky_grid import MINUTE, SkyGrid, tracks
from runlog.core.plan.wanted import Action, Setting, Wanted
from runlog.core.plan.worth import Sight, sight, worth_of_a_minute
from runlog.core.sky.earth import Floats
from runlog.core.sky.moonlight import MOONLESS_NL

A_YEAR = 366
COARSE_MIN, FINE_MIN = 30.0, 15.0
Place = tuple[float, float]


@dataclass(frozen=True)
class Outlook:
    """What nights give actions, if a night is clear and has nothing else to do."""

    dark_s: Floats  # (A, N), as dark as the action's filter asks
    usable_s: Floats  # (A, N) above the limits
    moonless_s: Floats  # (A, N) of that, with next to no moonlight
    effective_s: Floats  # (A, N)

    @property
    def nights(self) -> int:
        """How many nights."""
        return int(self.usable_s.shape[1])


def outlook(
    setting: Setting, actions: Sequence[Action], places: Mapping[str, Place], nights: int,
    step_min: float,
) -> Outlook:  # fmt: skip
    """Look ahead from a noon over some nights, in steps of minutes."""
    per_night = round(1440 / step_min)
    offsets = (np.arange(per_night) + 0.5) * step_min * MINUTE
    days = (setting.noon + np.arange(nights)[:, None] + offsets[None, :]).ravel()
    sun = setting.skies.at(days, setting.site).sun_alt_deg
    lowest = max((setting.sun_limit_deg(a.filter) for a in actions), default=-18.0)
    dark = np.flatnonzero(sun < lowest)
    shape = (len(actions), nights)
    found = {name: np.zeros(shape) for name in Outlook.__dataclass_fields__}
    if dark.size and actions:
        grid, night = setting.skies.at(days[dark], setting.site), dark // per_night
        _fill(found, (setting, grid, sun[dark], night), actions, places, step_min * 60)
    return Outlook(**found)


def _fill(
    found: Mapping[str, Floats],
    sky: tuple[Setting, SkyGrid, Floats, npt.NDArray[np.integer[Any]]],
    actions: Sequence[Action],
    places: Mapping[str, Place],
    step_s: float,
) -> None:
    setting, grid, sun, night = sky
    names = sorted({a.target for a in actions})
    ra, dec = (np.array([places[name][i] for name in names]) for i in (0, 1))
    track = tracks(grid, ra, dec)
    up = track.alt_deg >= setting.limits.limit_deg(track.az_deg)
    sights = {name: sight(grid, track, i) for i, name in enumerate(names)}
    nights = found["dark_s"].shape[1]
    for number, action in enumerate(actions):
        use = sun < setting.sun_limit_deg(action.filter)
        usable = use & up[names.index(action.target)]
        seen = sights[action.target]
        worth = minute_worth(setting, action, seen) * open_share(setting, action)
        values = {
            "dark_s": use,
            "usable_s": usable,
            "moonless_s": usable & (seen.moon_nl < MOONLESS_NL),
            "effective_s": usable * worth,
        }
        for name, value in values.items():
            found[name][number] = np.bincount(night, value * step_s, minlength=nights)


def minute_worth(setting: Setting, action: Action, seen: Sight) -> Floats:
    """Give what a minute of an action is worth."""
    known = setting.known
    return worth_of_a_minute(
        seen,
        known.laws[action.filter],
        known.share[action.filter],
        known.extinction_mag[action.filter],
        known.form,
        known.usual_airmass.get(action.target, 1.0),
    )


def open_share(setting: Setting, action: Action) -> float:
    """Give the share of the time the shutter is open while nothing changes."""
    return action.exposure_s / (action.exposure_s + setting.known.cadence.same_s)


@dataclass(frozen=True, slots=True)
class Season:
    """When a goal's target is up long enough in the dark, and what that may still bring."""

    begins: int | None  # nights from now; None: not within a year
    ends: int | None  # the last night of it; None: no end within a year
    obtainable_s: float  # at the person's pace
    nights: int  # of the season from now on

    @property
    def now(self) -> bool:
        """Whether tonight is in it."""
        return self.begins == 0


def season_of(usable_s: Floats, effective_s: Floats, least_s: float, p_clear: float) -> Season:
    """Find a season in the usable and effective seconds (N,) of the nights to come."""
    up = np.flatnonzero(usable_s >= least_s)
    if not up.size:
        return Season(None, None, 0.0, 0)
    begins = int(up[0])
    gaps = np.flatnonzero(usable_s[begins:] < least_s)
    stop = begins + int(gaps[0]) if gaps.size else len(usable_s)
    given = float(effective_s[begins:stop].sum()) * p_clear
    return Season(begins, stop - 1 if gaps.size else None, given, stop - begins)


def seasons(
    looked: Outlook, actions: Sequence[Action], wanted: Sequence[Wanted], setting: Setting
) -> list[Season | None]:
    """Find each goal's season by the action that serves it best; None where none does."""
    found: list[Season | None] = []
    for number in range(len(wanted)):
        own = [i for i, action in enumerate(actions) if number in action.serves]
        each = [
            season_of(
                looked.usable_s[i],
                looked.effective_s[i],
                setting.limits.season_hours * 3600,
                setting.known.p_clear,
            )
            for i in own
        ]
        found.append(max(each, key=lambda s: s.obtainable_s) if each else None)
    return found


@dataclass(frozen=True, slots=True)
class Urgency:
    """Why a goal weighs what it does: three factors, all shown."""

    priority: float  # 2^(-(priority - 1) / 2)
    need_s: float
    obtainable_s: float

    @property
    def weight(self) -> float:
        """Priority times need over need and slack: all of it where the season gives no more."""
        slack = max(self.obtainable_s - self.need_s, 0.0)
        return self.priority * self.need_s / (slack + self.need_s) if self.need_s else 0.0


def urgency(wanted: Wanted, season: Season | None) -> Urgency:
    """Weigh a goal; what is no goal weighs by nothing."""
    if wanted.to_go_s is None:
        return Urgency(1.0, 1.0, 0.0)
    priority = 2.0 ** (-(wanted.order[0] - 1) / 2)
    return Urgency(priority, wanted.to_go_s, season.obtainable_s if season else inf)
