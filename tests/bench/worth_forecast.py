"""How often the ranges of finish dates hold: python -m tests.bench.worth_forecast [--archives 300].

Each archive is of its own weather (a chain of two states whose chances swing over the year), its
own habits (what share of the dark is kept), its own length (two months to three years) and its own
goals; one goal of each is looked at, so that all are independent. What the forecast learns is the
nights up to a date alone; the truth goes on from there with the archive's own weather. Goals are
served as the plan weighs them, which the forecast takes for granted, and in a second table always
by priority, which it does not. Of 8-in-10 ranges 72 to 88 % must hold.
"""

import argparse
from datetime import date, timedelta

import numpy as np

from runlog.core.plan.sky_grid import MINUTE, SkyGrid, tracks
from runlog.core.sky.earth import Site
from runlog.core.sky.nights import noon_before
from runlog.core.sky.sidereal import days_since_j2000
from runlog.core.worth.chances import Open, drawn, quantile_night, reached, record_of

START, YEARS, AHEAD = date(2024, 1, 1), 5, 366
SITE = Site(50.1, 14.4)
PLACES = [(314.7, 44.3), (10.7, 41.3), (23.5, 30.7), (38.2, 61.5), (83.8, -5.4), (148.9, 69.1)]
EDGES, DATES = (0.1, 0.9), (0.2, 0.5, 0.8)
FEWEST = 5  # nights with frames: fewer tell no forecast


def sky():
    """Give the dark of each night and the time each place is up in it, seconds, over all years."""
    noon = days_since_j2000(noon_before(START, SITE.longitude_deg))
    nights, slots = YEARS * 365, 48
    days = noon + np.arange(nights)[:, None] + (np.arange(slots) + 0.5) * 30 * MINUTE
    grid = SkyGrid(days.ravel(), SITE)
    dark = grid.sun_alt_deg < -18
    up = tracks(grid, *np.array(PLACES).T).alt_deg >= 30
    shape = (nights, slots)
    usable = [(dark & one).reshape(shape).sum(axis=1) * 1800.0 for one in up]
    return dark.reshape(shape).sum(axis=1) * 1800.0, np.array(usable)


def weather(random, nights):
    """Draw nights with frames, one chain whose chances swing over the year."""
    middle, swing, stick = random.uniform((0.15, 0.0, 0.0), (0.55, 0.6, 0.5))
    phase, clear, found = random.uniform(0, 365), False, []
    for n in range(nights):
        p = middle * (1 + swing * np.sin(2 * np.pi * (n - phase) / 365.25))
        p = p + stick * (clear - p)
        clear = bool(random.random() < p)
        found.append(clear)
    return np.array(found)


def follow(goals, dark, clear, share):
    """Serve goals by priority, night by night, and say when the first of the list is reached."""
    order = sorted(range(len(goals)), key=lambda g: -goals[g].priority)
    left = [goal.need_s for goal in goals]
    for n in np.flatnonzero(clear):
        room = dark[n] * share[n]
        for g in order:
            got = min(goals[g].usable_s[n] * share[n], room, left[g])
            left[g], room = left[g] - got, room - got
        if left[0] <= 1e-6:
            return int(n)
    return len(dark)


def trial(seed, dark, usable, sims):
    """Give what came true of one archive, and the range and dates; None of too few nights."""
    random = np.random.default_rng([18, seed])
    begin = int(random.integers(0, 365))
    now = begin + int(random.integers(60, 1095))
    clear = weather(random, now + AHEAD)
    share = random.beta(*random.uniform(1.0, 5.0, 2), now + AHEAD)
    kept = {
        START + timedelta(days=int(n)): share[n] * dark[n]
        for n in np.flatnonzero(clear[:now])
        if n >= begin and dark[n] > 0
    }
    if len(kept) < FEWEST:
        return None
    darks = {day: dark[(day - START).days] for day in kept}
    ahead = slice(now, now + AHEAD)
    goals = [
        Open(random.uniform(3, 40) * 3600, usable[int(random.integers(len(PLACES)))][ahead],
             np.ones(AHEAD), 2.0 ** -random.uniform(0, 2))
        for _ in range(int(random.integers(1, 4)))
    ]  # fmt: skip
    months = np.array([(START + timedelta(days=now + n)).month - 1 for n in range(AHEAD)])
    done = drawn(goals, dark[ahead], months, record_of(kept, darks), sims)[0]
    true = dark[ahead], clear[ahead], share[ahead]
    by_plan = reached(goals, true[0], true[1][:, None], true[2][:, None], clear.mean())[0, 0]
    truths = {"as planned": int(by_plan), "by priority": follow(goals, *true)}
    return truths, [quantile_night(done, q, AHEAD) for q in (*EDGES, *DATES)]


def main():
    """Print how many ranges hold, and how often each date is kept."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--archives", type=int, default=300)
    parser.add_argument("--sims", type=int, default=400)
    asked = parser.parse_args()
    dark, usable = sky()
    found = [trial(seed, dark, usable, asked.sims) for seed in range(asked.archives)]
    known = [one for one in found if one is not None]
    print(f"{len(known)} goals of as many archives ({len(found) - len(known)} of too few nights)")
    held = [told(way, [(truths[way], qs) for truths, qs in known]) for way in known[0][0]]
    return 0 if min(held) >= 0.72 and max(held) <= 0.88 and len(known) >= 200 else 1


def told(way, known):
    """Print one table; give how many ranges hold."""
    open_ = [(t, [AHEAD if q is None else q for q in qs]) for t, qs in known]
    held = np.mean([low <= t <= high for t, (low, high, *_) in open_])
    print(f"served {way}: 8-in-10 ranges that hold {held:.1%} (wanted: 72 to 88 %); "
          f"earlier {np.mean([t < qs[0] for t, qs in open_]):.1%}, "
          f"later {np.mean([t > qs[1] for t, qs in open_]):.1%}")  # fmt: skip
    for n, share in enumerate(DATES):
        by = np.mean([t <= qs[2 + n] for t, qs in open_])
        print(f"    reached by the date of {share:.0%}: {by:.1%}")
    print(f"    not reached within a year: {np.mean([t == AHEAD for t, _ in open_]):.1%}")
    return held


if __name__ == "__main__":
    raise SystemExit(main())
