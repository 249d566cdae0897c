"""When goals will be reached: dates with chances, from the person's own record.

Nights to come are drawn many times. Whether there are frames is a chain of two states, its chances
by calendar month; what a night brings is the time each target is up, times the share of the dark
that was kept on a night drawn from the record. Goals share a night: what weighs most comes first,
by the plan's own weights. What is not known well is drawn as well: the chances of the chain from
their Beta posterior (flat prior; a month is held to the year by as much as MONTH_NIGHTS nights),
the record by the Bayesian bootstrap (Rubin 1981, from memory). The seed is fixed: the same record
gives the same dates.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.sky.earth import Floats

SIMS = 1000
SEED = 20261127
MONTH_NIGHTS = 20.0
QUANTILES = (0.2, 0.5, 0.8)
Ints = npt.NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Record:
    """What a rig's nights say of those to come."""

    clear: Floats  # (12, 2) nights with frames, by month and whether the night before had some
    nights: Floats  # (12, 2) of so many
    shares: Floats  # (R,) kept time over dark time, of each night with frames

    @property
    def p_clear(self) -> float:
        """How often a night has frames."""
        return float((self.clear.sum() + 1) / (self.nights.sum() + 2))


@dataclass(frozen=True)
class Open:
    """An open goal over the N nights to come."""

    need_s: float  # kept time that is to go
    usable_s: Floats  # (N,) its target is up in the dark
    rate: Floats  # (N,) effective time a usable second, which says what a night is best used for
    priority: float = 1.0  # the plan's weight of it
    end: int | None = None  # last night of its season


def record_of(kept_s: dict[date, float], dark_s: dict[date, float]) -> Record:
    """Learn from nights with frames: those between the first and the last that have none had none.

    `dark_s` gives each night's dark; nights with less than an hour of it tell no share.
    """
    clear, nights = np.zeros((12, 2)), np.zeros((12, 2))
    first, last = min(kept_s), max(kept_s)
    for n in range(1, (last - first).days + 1):
        day = first + timedelta(days=n)
        before = int(day - timedelta(days=1) in kept_s)
        nights[day.month - 1, before] += 1
        clear[day.month - 1, before] += day in kept_s
    shares = [kept_s[d] / dark_s[d] for d in sorted(kept_s) if dark_s.get(d, 0.0) >= 3600]
    return Record(clear, nights, np.array(shares))


def weather(random: np.random.Generator, record: Record, months: Ints, sims: int) -> Floats:
    """Draw which nights to come have frames, (N, sims) of 0 and 1; months are 0 to 11."""
    chance = np.empty((12, 2, sims))
    for before in range(2):
        k, n = record.clear[:, before], record.nights[:, before]
        whole = random.beta(1 + k.sum(), 1 + n.sum() - k.sum(), sims)
        for month in range(12):
            a = MONTH_NIGHTS * whole + k[month]
            b = MONTH_NIGHTS * (1 - whole) + n[month] - k[month]
            chance[month, before] = random.beta(np.maximum(a, 1e-9), np.maximum(b, 1e-9))
    state = (random.random(sims) < record.p_clear).astype(int)
    each, drawn = np.arange(sims), np.empty((len(months), sims))
    for night, month in enumerate(months):
        state = (random.random(sims) < chance[month, state, each]).astype(int)
        drawn[night] = state
    return drawn


def shares_drawn(random: np.random.Generator, record: Record, nights: int, sims: int) -> Floats:
    """Draw what share of each night's dark is kept, (N, sims), by the Bayesian bootstrap."""
    weight = random.dirichlet(np.ones(len(record.shares)), sims).cumsum(axis=1)
    at = random.random((nights, sims))
    picked = np.empty((nights, sims), dtype=int)
    for sim in range(sims):
        picked[:, sim] = np.searchsorted(weight[sim], at[:, sim])
    return np.asarray(record.shares[np.minimum(picked, len(record.shares) - 1)])


def reached(
    goals: Sequence[Open], dark_s: Floats, clear: Floats, share: Floats, p_clear: float
) -> Ints:
    """Follow goals night by night; (G, sims) the night each is reached, N where it is not.

    Parameters
    ----------
    goals : sequence of Open
    dark_s : (N,) array
        Dark of each night, in seconds: goals together cannot have more.
    clear, share : (N, sims) arrays
        Whether there are frames, and what share of the dark is kept.
    p_clear : float
        How often a night has frames: what the rest of a season may bring hangs on it.

    """
    nights, sims = clear.shape
    done = np.full((len(goals), sims), nights)
    left = np.tile(np.array([[g.need_s] for g in goals]), sims)
    to_come = _to_come(goals, p_clear * float(share.mean()))
    for night in range(nights):
        kept = clear[night] * share[night]
        room = dark_s[night] * kept
        for rank in _ranked(goals, left, to_come, night):
            which = np.arange(sims)
            usable = np.array([g.usable_s[night] for g in goals])[rank] * kept
            got = np.minimum(np.minimum(usable, room), left[rank, which])
            room = room - got
            left[rank, which] -= got
        done = np.where((left <= 1e-6) & (done == nights), night, done)
    return done


def _to_come(goals: Sequence[Open], kept_share: float) -> Floats:
    """Give what each goal may still get from each night to its season's end, (G, N)."""
    found = []
    for goal in goals:
        usable = goal.usable_s.copy()
        if goal.end is not None:
            usable[goal.end + 1 :] = 0.0
        found.append(usable[::-1].cumsum()[::-1] * kept_share)
    return np.array(found)


def _ranked(goals: Sequence[Open], left: Floats, to_come: Floats, night: int) -> Ints:
    """Order the goals in each draw, (G, sims): by priority, urgency and what the night is good for.

    The plan's weight: priority times need over need and slack, times effective time a second.
    """
    if len(goals) == 1:
        return np.zeros((1, left.shape[1]), dtype=int)
    slack = np.maximum(to_come[:, night, None] - left, 0.0)
    urgency = left / np.maximum(slack + left, 1e-9)
    good = np.array([[g.priority * g.rate[night]] for g in goals])
    return np.argsort(-urgency * good, axis=0, kind="stable")


@dataclass(frozen=True, slots=True)
class Chance:
    """When one goal is reached, as nights from the first; None: not within the nights looked at."""

    at: tuple[int | None, ...]  # by QUANTILES
    not_in_season: float  # chance that its season ends before


def chances(
    goals: Sequence[Open], dark_s: Floats, months: Ints, record: Record, sims: int = SIMS
) -> list[Chance]:
    """Draw the nights to come, and say when each goal is reached."""
    done = drawn(goals, dark_s, months, record, sims)
    return [_chance(own, goal, len(dark_s)) for own, goal in zip(done, goals, strict=True)]


def drawn(
    goals: Sequence[Open], dark_s: Floats, months: Ints, record: Record, sims: int = SIMS
) -> Ints:
    """Draw the night each goal is reached, (G, sims)."""
    random = np.random.default_rng(SEED)
    clear = weather(random, record, months, sims)
    share = shares_drawn(random, record, len(months), sims)
    return reached(goals, dark_s, clear, share, record.p_clear)


def quantile_night(done: Ints, share: float, nights: int) -> int | None:
    """Give the first night by which so much of the draws are through; None where it is not."""
    found = int(np.quantile(done, share, method="inverted_cdf"))
    return None if found >= nights else found


def _chance(done: Ints, goal: Open, nights: int) -> Chance:
    last = nights - 1 if goal.end is None else goal.end
    at = tuple(quantile_night(done, share, nights) for share in QUANTILES)
    return Chance(at, float((done > last).mean()))
