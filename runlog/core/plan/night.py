"""One rig's night: for each goal what the night gives it, and the order that serves all best."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from runlog.core.plan.frames_fit import (
    SECOND,
    Span,
    Turn,
    common,
    overlap,
    starts,
    turns_of,
    without,
)
from runlog.core.plan.order import REST, Order, Problem, best_order
from runlog.core.plan.season import (
    A_YEAR,
    COARSE_MIN,
    Outlook,
    Place,
    Season,
    Urgency,
    minute_worth,
    open_share,
    outlook,
    seasons,
    urgency,
)
from runlog.core.plan.sky_grid import (
    MINUTE,
    SkyGrid,
    dark_span,
    lower_transit,
    noon_grid,
    tracks,
    transit,
    windows,
)
from runlog.core.plan.wanted import Action, Key, Setting, Shared, Wanted
from runlog.core.plan.worth import Sight, sight
from runlog.core.sky.earth import Floats

SLOT_MIN = 5.0


@dataclass(frozen=True)
class Dark:
    """When it is dark, in days, and by which twilight."""

    astronomical: Span | None
    nautical: Span | None  # where narrow bands may begin with the Sun higher than -18
    lowest_sun_deg: float
    all_day: bool = False  # the polar night

    @property
    def span(self) -> Span | None:
        """The dark that is planned, at its longest."""
        return self.nautical or self.astronomical

    @property
    def said(self) -> str:
        """By which twilight."""
        if self.astronomical is not None:
            return "astronomical"
        return "nautical" if self.nautical is not None else "none"

    def of(self, setting: Setting, filter_name: str) -> Span | None:
        """Give the dark for one filter, cut where the rig is to stop."""
        narrow = setting.is_narrow(filter_name)
        span = (self.nautical or self.astronomical) if narrow else self.astronomical
        if span is None or setting.until is None:
            return span
        return (span[0], min(span[1], setting.until)) if setting.until > span[0] else None


@dataclass(frozen=True)
class Chance:
    """What the night gives one action, if it had the night for itself."""

    action: Action
    spans: tuple[Span, ...]  # up, and dark enough
    up: tuple[Span, ...]  # above the limits, dark or not
    worth: Floats  # of a minute, at the moments of the night's grid
    seen: Sight
    transit: float | None
    turns: tuple[Turn, ...]
    inside: Floats  # 1 at the moments within its spans
    frames: tuple[float, ...]  # starts
    effective_s: float

    @property
    def best(self) -> int | None:
        """Index of its best moment in the grid; None when it is not up in the dark."""
        return None if not self.inside.any() else int(np.argmax(self.worth * self.inside))


@dataclass(frozen=True)
class Block:
    """Frames of one action in a row, in days."""

    action: Action
    start: float  # the shutter opens first
    end: float  # and closes last
    frames: int
    effective_s: float
    then: str = ""  # why it ends


@dataclass(frozen=True)
class NightPlan:
    """A rig's plan."""

    setting: Setting
    dark: Dark
    grid: SkyGrid
    wanted: tuple[Wanted, ...]
    actions: tuple[Action, ...]
    chances: tuple[Chance | None, ...]  # by action; None where its place is not known
    blocks: tuple[Block, ...]
    order: Order
    value: float  # of the frames that fit, weighted effective seconds; as `order`, without guests
    seasons: tuple[Season | None, ...]  # by goal
    urgencies: tuple[Urgency, ...]
    looked: Outlook
    looked_actions: tuple[Action, ...] = field(default=())
    shared: Mapping[Key, Shared] = field(default_factory=dict)  # goals that other rigs serve too
    guests: int = (
        0  # how many of the goals, the last ones, are other rigs' and stand behind its own
    )

    @property
    def share(self) -> float | None:
        """Value over what no order can pass; None where there is nothing to gain."""
        return min(self.value / self.order.bound, 1.0) if self.order.bound > 0 else None

    @property
    def puts_guests_behind(self) -> bool:
        """Tell whether blocks for other rigs' goals stand behind those for its own."""
        own = len(self.wanted) - self.guests
        return self.guests > 0 and any(n < own for b in self.blocks for n in b.action.serves)

    def planned_s(self, number: int) -> float:
        """Give the effective seconds planned for one goal."""
        return sum(b.effective_s for b in self.blocks if number in b.action.serves)


def dark_of(setting: Setting, grid: SkyGrid) -> Dark:
    """Find the dark of a night."""
    astronomical = dark_span(setting.noon, setting.site, -18.0)
    limit = setting.limits.twilight_deg
    nautical = dark_span(setting.noon, setting.site, limit) if limit > -18 else None
    lowest = float(grid.sun_alt_deg.min())
    return Dark(astronomical, nautical, lowest, bool(grid.sun_alt_deg.max() < -18))


def plan_night(
    setting: Setting, wanted: Sequence[Wanted], actions: Sequence[Action],
    places: Mapping[str, Place],
) -> NightPlan:  # fmt: skip
    """Plan one night of one rig; goals and actions in any order."""
    wanted, actions = _in_order(wanted, actions)
    grid = SkyGrid(noon_grid(setting.noon, SLOT_MIN), setting.site)
    dark = dark_of(setting, grid)
    placed = [a for a in actions if a.target in places]
    looked = outlook(setting, placed, places, A_YEAR, COARSE_MIN)
    found = _chances(setting, grid, dark, placed, places)
    chances = tuple(found.get((a.target, a.filter)) for a in actions)
    times = seasons(looked, placed, wanted, setting)
    weights = [urgency(w, season) for w, season in zip(wanted, times, strict=True)]
    own = [replace(c, turns=(*c.turns, *setting.busy)) for c in chances if c is not None]
    edges = _slot_edges(dark, setting.busy)
    order = best_order(_problem(setting, edges, own, wanted, weights))
    order = _resting(order, edges, setting.busy)
    blocks = _blocks(setting, own, order, wanted, edges)
    gained = [
        sum(b.effective_s for b in blocks if n in b.action.serves) for n in range(len(wanted))
    ]
    value = sum(u.weight * min(g, w.need_s)
                for u, g, w in zip(weights, gained, wanted, strict=True))  # fmt: skip
    return NightPlan(
        setting, dark, grid, tuple(wanted), tuple(actions), chances, tuple(blocks), order,
        float(value), tuple(times), tuple(weights), looked, tuple(placed),
    )  # fmt: skip


def _in_order(
    wanted: Sequence[Wanted], actions: Sequence[Action]
) -> tuple[list[Wanted], list[Action]]:
    """Put goals by priority and name, and renumber what actions serve: no order of input counts."""
    by_order = sorted(range(len(wanted)), key=lambda i: wanted[i].order)
    new = {old: i for i, old in enumerate(by_order)}
    moved = [replace(a, serves=tuple(sorted(new[i] for i in a.serves))) for a in actions]
    return [wanted[i] for i in by_order], sorted(moved, key=lambda a: (a.target, a.filter))


# --- what the night gives each ---------------------------------------------------------------


def _chances(
    setting: Setting, grid: SkyGrid, dark: Dark, actions: Sequence[Action],
    places: Mapping[str, Place],
) -> dict[tuple[str, str], Chance]:  # fmt: skip
    names = sorted({a.target for a in actions})
    if not names:
        return {}
    ra, dec = (np.array([places[name][i] for name in names]) for i in (0, 1))
    track = tracks(grid, ra, dec)
    found = {}
    for i, name in enumerate(names):
        up = windows(grid, places[name], setting.limits)
        seen = sight(grid, track, i)
        angle = track.hour_angle_deg[i]
        passes = transit(grid, angle), lower_transit(grid, angle)
        for action in actions:
            if action.target == name:
                chance = _chance(setting, grid, dark, action, (up, seen, passes))
                found[(name, action.filter)] = chance
    return found


def _chance(
    setting: Setting, grid: SkyGrid, dark: Dark, action: Action,
    sky: tuple[list[Span], Sight, tuple[float | None, float | None]],
) -> Chance:  # fmt: skip
    up, seen, passes = sky
    turns = turns_of(passes, setting.known.cadence)
    spans = common(up, dark.of(setting, action.filter))
    worth = minute_worth(setting, action, seen)
    cadence = setting.known.cadence
    first = spans[0][0] + cadence.setup_s * SECOND if spans else 0.0
    times = action.exposure_s, cadence.same_s
    frames = tuple(starts(first, np.inf, spans, turns, times)) if spans else ()
    given = _effective_s(grid, worth, frames, action.exposure_s)
    inside = np.zeros(len(grid.days))
    for a, b in spans:
        inside[(grid.days >= a) & (grid.days <= b)] = 1.0
    return Chance(
        action, tuple(spans), tuple(up), worth, seen, passes[0], turns, inside, frames, given
    )


def _effective_s(grid: SkyGrid, worth: Floats, frames: Sequence[float], exposure_s: float) -> float:
    middle = np.array(frames) + exposure_s / 2 * SECOND
    return float(np.interp(middle, grid.days, worth).sum() * exposure_s) if frames else 0.0


# --- the order --------------------------------------------------------------------------------


def _slot_edges(dark: Dark, busy: Sequence[Turn] = ()) -> Floats:
    """Cut the dark into slots, each wholly busy or wholly free."""
    if dark.span is None:
        return np.zeros(1)
    start, end = dark.span
    count = max(int(np.ceil((end - start) / (SLOT_MIN * MINUTE))), 1)
    edges = np.minimum(start + np.arange(count + 1) * SLOT_MIN * MINUTE, end)
    if not busy:
        return np.asarray(edges)
    borders = [b for turn in busy for b in (turn.start, turn.resume)]
    return np.union1d(edges, np.clip(borders, start, end))


def _resting(order: Order, edges: Floats, busy: Sequence[Turn]) -> Order:
    """Rest in busy slots, so that no stretch runs on through them."""
    middle = (edges[:-1] + edges[1:]) / 2
    taken = np.zeros(len(middle), dtype=bool)
    for turn in busy:
        taken |= (middle > turn.start) & (middle < turn.resume)
    return replace(order, sequence=np.where(taken, REST, order.sequence))


def _problem(
    setting: Setting, edges: Floats, chances: Sequence[Chance], wanted: Sequence[Wanted],
    weights: Sequence[Urgency],
) -> Problem:  # fmt: skip
    shape = (len(chances), len(edges) - 1)
    rate, gain = np.zeros(shape), np.zeros(shape)
    for i, chance in enumerate(chances):
        rate[i], gain[i] = _slot_gains(setting, chance, edges)
    cadence = setting.known.cadence
    names = sorted({c.action.target for c in chances})
    serves = np.zeros((len(chances), len(wanted)))
    for i, chance in enumerate(chances):
        serves[i, list(chance.action.serves)] = 1.0
    return Problem(
        gain_s=gain,
        filter_loss_s=np.minimum(rate * max(cadence.other_s - cadence.same_s, 0.0), gain),
        target_loss_s=np.minimum(rate * cadence.setup_s, gain),
        target=np.array([names.index(c.action.target) for c in chances], dtype=np.int64),
        serves=serves,
        weight=np.array([u.weight for u in weights]),
        need_s=np.array([w.need_s for w in wanted]),
    )


def _slot_gains(setting: Setting, chance: Chance, edges: Floats) -> tuple[Floats, Floats]:
    """Give the effective seconds a second, and of each slot, at the pace of a rig that changes
    nothing."""
    middle = (edges[:-1] + edges[1:]) / 2
    grid = noon_grid(setting.noon, SLOT_MIN)
    rate = np.interp(middle, grid, chance.worth) * open_share(setting, chance.action)
    free = without(chance.spans, chance.turns)
    open_s = [overlap(free, a, b) / SECOND for a, b in pairwise(edges)]
    return rate, np.asarray(rate * np.array(open_s))


def _blocks(
    setting: Setting, chances: Sequence[Chance], order: Order, wanted: Sequence[Wanted],
    edges: Floats,
) -> list[Block]:  # fmt: skip
    """Lay whole frames along the order, the clock running on: each begins as soon as it can."""
    left = [w.need_s for w in wanted]
    blocks: list[Block] = []
    now, before = float(edges[0]), None
    for number, first, last in _stretches(order):
        chance = chances[number]
        action, cadence = chance.action, setting.known.cadence
        free = max((t.resume for t in setting.busy if t.resume <= edges[first]), default=now)
        if free > now:
            now, before = free, None
        lost_s = cadence.setup_s
        if before is not None and before.target == action.target:
            lost_s = cadence.other_s if before.filter != action.filter else cadence.same_s
        begin = now + lost_s * SECOND
        if chance.spans and before is None:
            begin = max(now, min(chance.spans[0][0], float(edges[first]))) + lost_s * SECOND
        stop = float(edges[last])
        block = _filled(setting, chance, (begin, stop), left)
        if block is not None:
            blocks.append(block)
            now, before = block.end, action
    return blocks


def _stretches(order: Order) -> list[tuple[int, int, int]]:
    """List an order's stretches: action, first slot, slot after the last."""
    sequence = order.sequence
    cuts = [0, *(np.flatnonzero(np.diff(sequence)) + 1).tolist(), len(sequence)]
    spans = pairwise(cuts)
    return [(int(sequence[a]), a, b) for a, b in spans if b > a and sequence[a] != REST]


def _filled(setting: Setting, chance: Chance, span: Span, left: list[float]) -> Block | None:
    """Take frames until the span ends or nothing it serves needs more."""
    action, grid = chance.action, noon_grid(setting.noon, SLOT_MIN)
    times = action.exposure_s, setting.known.cadence.same_s
    taken: list[float] = []
    given = 0.0
    for start in starts(span[0], span[1], chance.spans, chance.turns, times):
        if all(left[g] <= 0 for g in action.serves):
            break
        middle = start + action.exposure_s / 2 * SECOND
        worth = float(np.interp(middle, grid, chance.worth)) * action.exposure_s
        taken.append(start)
        given += worth
        for g in action.serves:
            left[g] -= worth
    if not taken:
        return None
    full = all(left[g] <= 0 for g in action.serves)
    end = taken[-1] + action.exposure_s * SECOND
    return Block(action, taken[0], end, len(taken), given, "reached" if full else "")
