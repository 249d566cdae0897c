"""Nights drawn for the running order: seeded, with targets that rise, pass and set under a Moon."""

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from runlog.core.plan.order import Problem

SEED = 20261127
SLOT_S = 300.0


def problem(number, most_slots=30, most_goals=5, least_slots=12):
    """Draw a night: slots of 5 minutes, goals of one to three filters a target, some of them small.

    Each target culminates somewhere in or about the night; its worth falls with airmass; a Moon
    that rises or sets takes between nothing and four fifths, by filter.
    """
    random = np.random.default_rng([SEED, number, most_slots])
    slots = int(random.integers(least_slots, most_slots + 1))
    goals = int(random.integers(2, most_goals + 1))
    target = np.sort(random.integers(0, max(goals // 2, 1) + 1, goals))
    at = np.arange(slots) + 0.5
    centre = random.uniform(-0.3, 1.3, goals)[target % goals] * slots
    angle = np.radians((at[None, :] - centre[:, None]) * 1.25)
    up = random.uniform(0.75, 1.0, goals)[target % goals][:, None] * np.cos(angle)
    worth = np.where(up > 0.5, up, 0.0) ** random.uniform(0.5, 2.5, goals)[:, None]
    moon_up = (at > random.uniform(0, slots)) ^ (random.random() < 0.5)
    worth = worth * np.where(moon_up, random.uniform(0.2, 1.0, goals)[:, None], 1.0)
    rate = 0.85 * random.uniform(0.9, 0.97) * worth
    need_s = random.choice([900.0, 1800.0, 5400.0, 36000.0], goals) * random.uniform(
        0.5, 1.5, goals
    )
    weight = 2.0 ** (-random.integers(0, 5, goals) / 2) * random.uniform(0.3, 1.0, goals)
    return Problem(
        gain_s=rate * SLOT_S,
        filter_loss_s=rate * random.uniform(5, 60),
        target_loss_s=rate * min(random.uniform(120, 400), SLOT_S),
        target=target,
        serves=np.eye(goals),
        weight=weight,
        need_s=need_s,
    )


def exact(p):
    """Find the best value there is: a mixed-integer programme, solved by HiGHS (scipy).

    x[a,s]: action a in slot s; f, t[a,s]: it begins there after another filter, after another
    target or a rest; u[g]: what counts of goal g.
    """
    actions, slots = p.gain_s.shape
    n = actions * slots
    x = np.arange(n).reshape(actions, slots)
    f, t, u = x + n, x + 2 * n, 3 * n + np.arange(len(p.weight))
    rows, columns, values, low, high = [], [], [], [], []
    row = 0

    def add(terms, least, most):
        nonlocal row
        for column, value in terms:
            rows.append(row)
            columns.append(column)
            values.append(value)
        low.append(least)
        high.append(most)
        row += 1

    for s in range(slots):
        add([(x[a, s], 1) for a in range(actions)], 0, 1)
        for a in range(actions):
            mine = [] if s == 0 else [b for b in range(actions) if p.target[b] == p.target[a]]
            # It begins: f + t >= x - x before. It comes from another target: t >= x - all of its
            # own target before.
            before = [] if s == 0 else [(x[a, s - 1], 1)]
            add([(f[a, s], 1), (t[a, s], 1), (x[a, s], -1), *before], 0, np.inf)
            own = [(x[b, s - 1], 1) for b in mine]
            add([(t[a, s], 1), (x[a, s], -1), *own], 0, np.inf)
    for g in range(len(p.weight)):
        terms = [(u[g], -1.0)]
        for a in np.flatnonzero(p.serves[:, g]):
            for s in range(slots):
                terms.append((x[a, s], p.gain_s[a, s]))
                terms.append((f[a, s], -p.filter_loss_s[a, s]))
                terms.append((t[a, s], -p.target_loss_s[a, s]))
        add(terms, 0, np.inf)
    size = 3 * n + len(p.weight)
    costs = np.zeros(size)
    costs[u] = -p.weight
    upper = np.ones(size)
    upper[u] = p.need_s
    integral = np.zeros(size)
    integral[:n] = 1
    matrix = coo_matrix((values, (rows, columns)), shape=(row, size)).tocsr()
    done = milp(costs, integrality=integral, bounds=Bounds(0, upper),
                constraints=LinearConstraint(matrix, low, high),
                options={"mip_rel_gap": 1e-4, "time_limit": 60})  # fmt: skip
    assert done.success, done.message
    return -done.fun
