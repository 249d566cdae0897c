"""Plan 120 nights one by one under drawn weather, and count what the goals got at the end.

python -m tests.bench.hindcast [--seeds 50]

Each evening the plan knows what is still wanted, the Sun, the Moon, and how often nights are clear;
not which will be. Weather is a chain of two states (clear follows clear 3 times in 5, cloud follows
cloud 3 times in 4: 38 % of nights are clear). Against it: goals in the order of priority, always
the highest target, and what no order could pass that knew the weather (linear programme without
losses between frames, HiGHS).
"""

import argparse
from dataclasses import replace
from datetime import date

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix

from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.cadence import Cadence
from runlog.core.plan.moon_law import moon_law
from runlog.core.plan.order import REST, Problem, best_order, goals_s
from runlog.core.plan.season import Season, minute_worth, open_share, urgency
from runlog.core.plan.settings import PlanSettings
from runlog.core.plan.sky_grid import MINUTE, SkyGrid, tracks
from runlog.core.plan.wanted import Action, Knowledge, Setting, Wanted
from runlog.core.plan.worth import sight
from runlog.core.sky.earth import Site
from runlog.core.sky.nights import noon_before
from runlog.core.sky.sidereal import days_since_j2000

NIGHTS, SLOT_MIN, SETUP_S, WHEEL_S = 120, 15, 240.0, 10.0
CLEAR_AFTER_CLEAR, CLEAR_AFTER_CLOUD = 0.6, 0.25
CLEAR = CLEAR_AFTER_CLOUD / (1 - CLEAR_AFTER_CLEAR + CLEAR_AFTER_CLOUD)
PLACES = {
    "NGC 7000": (314.7, 44.3), "M 31": (10.68, 41.27), "M 33": (23.46, 30.66),
    "IC 1805": (38.2, 61.5), "M 45": (56.6, 24.1), "M 42": (83.82, -5.39), "M 81": (148.9, 69.07),
}  # fmt: skip
GOALS = [  # target, filter, hours, priority
    ("M 81", "L", 25, 3), ("M 31", "L", 25, 4), ("M 31", "Ha", 15, 5), ("NGC 7000", "Ha", 15, 5),
    ("NGC 7000", "OIII", 15, 5), ("M 33", "L", 20, 5), ("IC 1805", "Ha", 20, 6),
    ("M 45", "L", 15, 6), ("M 42", "L", 12, 7), ("M 42", "Ha", 12, 7),
]  # fmt: skip


def season():
    """Give goals, actions, and gains, rates and altitudes by action, night and slot."""
    filters = sorted({g[1] for g in GOALS})
    known = Knowledge(
        "drawn", Cadence(18.0, 18.0 + WHEEL_S, SETUP_S, "drawn"),
        {f: moon_law([], f, 0.15, 21.3) for f in filters}, dict.fromkeys(filters, 0.15),
        dict.fromkeys(filters, 0.9), "drawn", DepthForm.POINT, clear=CLEAR,
    )  # fmt: skip
    noon = days_since_j2000(noon_before(date(2026, 10, 1), 14.4))
    setting = Setting(Site(50.1, 14.4), noon, PlanSettings(), known)
    wanted = [Wanted(t, f, p, h * 3600.0) for t, f, h, p in GOALS]
    actions = [Action(t, f, 300.0, "drawn", (i,)) for i, (t, f, _, _) in enumerate(GOALS)]
    slots = 1440 // SLOT_MIN
    days = noon + np.arange(NIGHTS)[:, None] + (np.arange(slots) + 0.5) * SLOT_MIN * MINUTE
    grid = SkyGrid(days.ravel(), setting.site)
    names = list(PLACES)
    track = tracks(grid, *(np.array([PLACES[n][i] for n in names]) for i in (0, 1)))
    use = (grid.sun_alt_deg < -18) & (track.alt_deg >= 30)
    rate, height = [], []
    for action in actions:
        i = names.index(action.target)
        worth = minute_worth(setting, action, sight(grid, track, i))
        rate.append(use[i] * worth * open_share(setting, action))
        height.append(np.where(use[i], track.alt_deg[i], -1.0))
    shape = (len(actions), NIGHTS, slots)
    return wanted, names, np.array(rate).reshape(shape), np.array(height).reshape(shape)


def problem_of(rate, names, weight, need_s):
    """Make one night's problem: rates are (A, S)."""
    gain = rate * SLOT_MIN * 60
    target = np.array([names.index(t) for t, *_ in GOALS])
    return Problem(gain, np.minimum(rate * WHEEL_S, gain), np.minimum(rate * SETUP_S, gain), target,
                   np.eye(len(GOALS)), weight, need_s)  # fmt: skip


def planned(night, rate, names, wanted, left):
    """Choose as `runlog tonight` does: by urgency over the nights to come."""
    still = rate[:, night:].sum(axis=(1, 2)) * SLOT_MIN * 60 * CLEAR
    weight = np.array([
        urgency(replace(w, to_go_s=max(need, 0.0)), Season(0, None, given, 1)).weight
        for w, need, given in zip(wanted, left, still, strict=True)
    ])  # fmt: skip
    return best_order(problem_of(rate[:, night], names, weight, np.maximum(left, 0))).sequence


def by_rank(night, rate, left, rank):
    """Choose slot by slot the open goal that ranks first, of those that are up: rank is (A, S)."""
    left, sequence = left.copy(), []
    for s in range(rate.shape[2]):
        open_ = (rate[:, night, s] > 0) & (left > 0)
        best = int(np.argmax(np.where(open_, rank[:, s], -np.inf))) if open_.any() else REST
        if best != REST:
            left[best] -= rate[best, night, s] * SLOT_MIN * 60
        sequence.append(best)
    return np.array(sequence)


def hindsight_s(rate, clear, needs):
    """Bound what any order could reach that knew the weather (linear programme, no losses)."""
    gain = rate[:, clear].reshape(len(needs), -1) * SLOT_MIN * 60
    a, s = np.nonzero(gain)
    n = np.arange(len(a))
    slots = coo_matrix((np.ones(len(a)), (s, n)), shape=(gain.shape[1], len(a)))
    goals = coo_matrix((gain[a, s], (a, n)), shape=(len(needs), len(a)))
    from scipy.sparse import vstack

    done = linprog(-gain[a, s], A_ub=vstack([slots, goals]).tocsr(),
                   b_ub=np.r_[np.ones(gain.shape[1]), needs], bounds=(0, 1))  # fmt: skip
    assert done.success, done.message
    return -done.fun


def weather(random):
    """Draw which nights are clear."""
    clear, found = bool(random.random() < CLEAR), []
    for _ in range(NIGHTS):
        found.append(clear)
        clear = bool(random.random() < (CLEAR_AFTER_CLEAR if clear else CLEAR_AFTER_CLOUD))
    return np.array(found)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=50)
    seeds = parser.parse_args().seeds
    wanted, names, rate, height = season()
    needs = np.array([w.to_go_s for w in wanted])
    urgent = -np.array([p + i / 100 for i, (*_, p) in enumerate(GOALS)])
    slots = rate.shape[2]
    ways = {
        "the plan": lambda n, left: planned(n, rate, names, wanted, left),
        "by priority": lambda n, left: by_rank(n, rate, left, np.tile(urgent[:, None], slots)),
        "the highest": lambda n, left: by_rank(
            n, rate, left, height[:, n] + urgent[:, None] / 1e3),
    }  # fmt: skip
    reached = {name: [] for name in [*ways, "in hindsight, at most"]}
    full = {name: [] for name in ways}
    for seed in range(seeds):
        clear = weather(np.random.default_rng([20261127, seed]))
        for name, choose in ways.items():
            left = needs.copy()
            for night in np.flatnonzero(clear):
                sequence = choose(night, left)
                problem = problem_of(rate[:, night], names, np.ones(len(GOALS)), needs)
                left = left - goals_s(problem, sequence[None, :])[0]
            reached[name].append(np.minimum(needs - left, needs).sum() / 3600)
            full[name].append(int((left <= 0.02 * needs).sum()))
        reached["in hindsight, at most"].append(hindsight_s(rate, clear, needs) / 3600)
    best = np.array(reached["in hindsight, at most"])
    print(f"{seeds} seasons of {NIGHTS} nights, {needs.sum() / 3600:.0f} h wanted")
    print(f"{'':24}{'hours':>8}{'of the best':>13}{'worst season':>14}{'goals to 98 %':>15}")
    for name, hours in reached.items():
        share = np.array(hours) / best
        goals = f"{np.mean(full[name]):.1f} of {len(GOALS)}" if name in full else ""
        print(f"{name:24}{np.mean(hours):8.1f}{share.mean():13.1%}{share.min():14.1%}{goals:>15}")


if __name__ == "__main__":
    main()
