"""The running order of a night, and what the best order could give at most.

A night is cut into slots. In a slot the rig serves one action (a target through a filter) or rests.
An action's slot is worth its effective seconds to each goal it serves; a goal counts up to its
need, times its weight. Beginning an action loses a part of its slot: more for another target than
for another filter. Prices on goals that fill up (Lagrange) leave a problem that dynamic programming
solves exactly, and whose value no order can pass: the bound (Held and Karp 1971, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runlog.core.sky.earth import Floats

Ints = npt.NDArray[np.int64]
REST = -1
ROUNDS = 60
NEAR = 0.999  # of the bound: good enough to stop
IMPROVE_ROUNDS = 12
MOST_CANDIDATES = 3000
STARTS = 4  # orders that are improved by hand, for nights of FEW slots; else the best one alone
FEW = 60


@dataclass(frozen=True)
class Problem:
    """What a night offers. A actions, S slots, G goals. No loss is above its slot's gain."""

    gain_s: Floats  # (A, S) effective seconds of a slot
    filter_loss_s: Floats  # (A, S) lost where an action begins after another filter of its target
    target_loss_s: Floats  # (A, S) lost where it begins after another target, or a rest
    target: Ints  # (A,) number of each action's target
    serves: Floats  # (A, G) 1 where an action counts for a goal
    weight: Floats  # (G,)
    need_s: Floats  # (G,)

    @property
    def slots(self) -> int:
        """How many slots."""
        return int(self.gain_s.shape[1])


@dataclass(frozen=True)
class Order:
    """An action (or REST) for each slot; its value, and what no order can pass."""

    sequence: Ints
    value: float
    bound: float

    @property
    def share(self) -> float | None:
        """Value over the bound; None where nothing can be gained."""
        return min(self.value / self.bound, 1.0) if self.bound > 0 else None


def best_order(problem: Problem) -> Order:
    """Find a good order and the bound; permuting actions of unlike worth changes neither."""
    actions, slots = problem.gain_s.shape
    nothing = np.full(slots, REST)
    if not actions or not slots or problem.gain_s.max(initial=0.0) <= 0:
        return Order(nothing, 0.0, 0.0)
    price = np.zeros(len(problem.weight))
    found = {0.0: nothing}
    best_value, bound = 0.0, np.inf
    reach, stuck = 1.0, 0
    for _ in range(ROUNDS):
        sequence, relaxed = _priced(problem, price)
        dual = relaxed + float(price @ problem.need_s)
        stuck = 0 if dual < bound * (1 - 1e-4) else stuck + 1
        bound = min(bound, dual)
        gained = goals_s(problem, sequence[None, :])[0]
        value = _worth(problem, gained)
        found.setdefault(value, sequence)
        best_value = max(best_value, value)
        if best_value >= NEAR * bound:
            break
        slope = gained - problem.need_s
        slope[(price <= 0) & (slope < 0)] = 0.0
        size = float(slope @ slope)
        if size <= 0:
            break
        if stuck >= 4:
            reach, stuck = reach / 2, 0
        step = reach * max(dual - best_value, 1e-3 * dual) / size
        price = np.clip(price + step * slope, 0.0, problem.weight)
    if best_value < NEAR * bound:
        starts = sorted(found, reverse=True)[: STARTS if slots <= FEW else 1]
        tried = [_improved(problem, found[value], value) for value in starts]
        best, best_value = max(tried, key=lambda one: one[1])
    else:
        best = found[best_value]
    return Order(best, best_value, max(bound, best_value))


def goals_s(problem: Problem, sequences: Ints) -> Floats:
    """Add up what n orders (n, S) give each goal, (n, G) effective seconds, needs not looked at."""
    net = np.where(sequences >= 0, _net(problem, sequences), 0.0)
    count, actions = len(sequences), len(problem.target)
    key = np.where(sequences >= 0, sequences, 0) + actions * np.arange(count)[:, None]
    summed = np.bincount(key.ravel(), net.ravel(), minlength=count * actions)
    return np.asarray(summed.reshape(count, actions) @ problem.serves)


def _net(problem: Problem, sequences: Ints) -> Floats:
    before = np.concatenate([np.full((len(sequences), 1), REST), sequences[:, :-1]], axis=1)
    at = np.arange(problem.slots)
    same_target = (before >= 0) & (problem.target[before] == problem.target[sequences])
    loss = np.where(
        same_target, problem.filter_loss_s[sequences, at], problem.target_loss_s[sequences, at]
    )
    loss = np.where(before == sequences, 0.0, loss)
    return np.asarray(problem.gain_s[sequences, at] - loss)


def _worth(problem: Problem, gained: Floats) -> float:
    return float(problem.weight @ np.minimum(gained, problem.need_s))


# --- dynamic programming --------------------------------------------------------------------


def _priced(problem: Problem, price: Floats) -> tuple[Ints, float]:
    """Find the best order where goals count without end, at their weight less their price."""
    each = problem.serves @ (problem.weight - price)
    gain, slots = each[:, None] * problem.gain_s, problem.slots
    by_filter, by_target = (
        each[:, None] * loss for loss in (problem.filter_loss_s, problem.target_loss_s)
    )
    actions = len(problem.target)
    number = np.arange(actions)
    order = np.argsort(problem.target, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(problem.target[order]) > 0])
    group = np.empty(actions, dtype=np.int64)
    group[order] = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, actions]))
    value = np.full(actions, -np.inf)
    rest = 0.0
    came = np.empty((slots, actions), dtype=np.int64)
    rest_came = np.empty(slots, dtype=np.int64)
    for s in range(slots):
        top = int(np.argmax(value))
        leader, most = (top, value[top]) if value[top] > rest else (REST, rest)
        stay = value
        best_of = np.maximum.reduceat(value[order], starts)[group]
        turn = best_of - by_filter[:, s]
        slew = most - by_target[:, s]
        found = np.maximum(np.maximum(stay, turn), slew)
        came[s] = np.where(stay >= found, number, np.where(turn >= found, -2, leader))
        if (came[s] == -2).any():
            came[s] = _within(came[s], value, best_of, group)
        rest, rest_came[s] = most, leader
        value = found + gain[:, s]
    return _traced(value, rest, came, rest_came)


def _within(came: Ints, value: Floats, best_of: Floats, group: Ints) -> Ints:
    """Name the best action of the same target where one was followed."""
    first = np.full(group.max() + 1, -1)
    for a in np.flatnonzero(value >= best_of)[::-1]:
        first[group[a]] = a
    return np.where(came == -2, first[group], came)


def _traced(value: Floats, rest: float, came: Ints, rest_came: Ints) -> tuple[Ints, float]:
    top = int(np.argmax(value))
    at, most = (top, float(value[top])) if value[top] > rest else (REST, float(rest))
    sequence = np.empty(len(came), dtype=np.int64)
    for s in range(len(came) - 1, -1, -1):
        sequence[s] = at
        at = int(rest_came[s]) if at == REST else int(came[s, at])
    return sequence, most


# --- improving by hand ----------------------------------------------------------------------


def _improved(problem: Problem, sequence: Ints, value: float) -> tuple[Ints, float]:
    """Give spans of the order to other actions while that helps."""
    for _ in range(IMPROVE_ROUNDS):
        tried = _neighbours(problem, sequence)
        gained = np.minimum(goals_s(problem, tried), problem.need_s) @ problem.weight
        top = int(np.argmax(gained))
        if gained[top] <= value * (1 + 1e-9):
            return sequence, value
        sequence, value = tried[top], float(gained[top])
    return sequence, value


def _neighbours(problem: Problem, sequence: Ints) -> Ints:
    """List orders in which one span belongs to another action, ends near where blocks change."""
    slots = problem.slots
    edges = np.flatnonzero(np.diff(sequence)) + 1
    step = max(1, slots // 30)
    near = {int(e + k) for e in edges for k in (-2, -1, 0, 1, 2)}
    cuts = sorted({c for c in (*near, *range(0, slots, step), slots) if 0 <= c <= slots})
    labels = _labels(problem, sequence)
    spans = [(a, b) for i, a in enumerate(cuts) for b in cuts[i + 1 :]]
    most = max(MOST_CANDIDATES // max(len(labels), 1), 1)
    if len(spans) > most:  # the shorter ones first: blocks end a little sooner or later
        spans = sorted(spans, key=lambda span: (span[1] - span[0], span))[:most]
    tried = np.repeat(sequence[None, :], len(spans) * len(labels), axis=0)
    row = 0
    for a, b in spans:
        for label in labels:
            tried[row, a:b] = label
            row += 1
    return tried


def _labels(problem: Problem, sequence: Ints) -> Sequence[int]:
    """Choose actions worth a try: those in use, and the best of the others."""
    worth = (problem.serves @ problem.weight)[:, None] * problem.gain_s
    best = np.argsort(-worth.max(axis=1), kind="stable")[:8]
    return sorted({REST, *map(int, sequence), *map(int, best)})
