"""One night of several rigs: each plans its own goals, then what is left of those of the others."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import Connection

from runlog.actions.plan_knowledge import RigAtWork, places_of
from runlog.actions.rig_night import RigNight, actions_for
from runlog.actions.sharing import (
    Given,
    Shares,
    elsewhere_words,
    ended_words,
    left_out_words,
    strange_words,
    unknown_share_words,
)
from runlog.core.plan.frames_fit import SECOND
from runlog.core.plan.joined import busy_of, free_of, joined
from runlog.core.plan.night import NightPlan
from runlog.core.plan.publish import reason
from runlog.core.plan.season import Place
from runlog.core.plan.wanted import Key, Shared, Wanted
from runlog.core.times import Zone


@dataclass(frozen=True)
class RigPlan:
    """A rig and its plan."""

    rig: RigAtWork
    plan: NightPlan
    night: date  # the one that comes next where the rig stands
    zone: Zone  # of its site
    remarks: tuple[str, ...] = ()  # of how goals were shared out, where that wants saying


@dataclass(frozen=True)
class Together:
    """What each rig is to do, and what that gives each goal."""

    shares: Shares
    plans: Mapping[int, RigPlan]  # by rig
    given: Given

    def elsewhere(self, here: Collection[int]) -> tuple[tuple[Wanted, str], ...]:
        """List goals of other rigs than these that these take no part in, and who serves them."""
        held = {goal.key for rig_id in here for goal in self.plans[rig_id].plan.wanted}
        return tuple(
            (goal, elsewhere_words(goal, whose, self.given))
            for goal, whose in self.shares.all()
            if whose.rig_id not in here and goal.key not in held
        )


def planned_together(
    connection: Connection, shares: Shares, nights: Sequence[RigNight]
) -> Together:
    """Plan each rig's own goals; then let each fill the dark that is left with those of others.

    The turns go by last use and name. What is planned for a goal is taken off it for the rigs that
    follow, so that no more of it is planned than is left, but for the end of an exposure. A dual
    band gives more than it is planned for: rigs that use one plan their own goals before others.
    """
    targets = [goal.target for goal, _ in shares.all()]
    table = _Table(shares, places_of(connection, targets))
    by_name = sorted(nights, key=lambda one: one.rig.name)
    turns = sorted(by_name, key=lambda one: one.rig.last_night, reverse=True)
    for one in sorted(turns, key=lambda one: not one.rig.uses_dual_band):
        table.plan_own(one)
    for one in turns:
        table.plan_guests(one)
    return Together(shares, {one.rig.rig_id: table.told(one) for one in nights}, table.given)


class _Table:
    """The plans as far as they are made, and what they give each goal."""

    def __init__(self, shares: Shares, places: Mapping[str, Place]) -> None:
        self.shares, self.places = shares, places
        self.given: dict[Key, dict[str, float]] = {goal.key: {} for goal, _ in shares.all()}
        self.plans: dict[int, NightPlan] = {}
        # By rig with dark to spare: why it takes no part in goals of others.
        self.not_here: dict[int, dict[Key, str]] = {}

    def plan_own(self, one: RigNight) -> None:
        """Plan a rig's own goals."""
        own = [self._left(goal) for goal in self.shares.own[one.rig.rig_id]]
        self._set(one, one.plan(own, self.places))

    def plan_guests(self, one: RigNight) -> None:
        """Plan what is left of other rigs' goals in the dark that a rig's own goals leave."""
        own = self.plans[one.rig.rig_id]
        could = [self._left(goal) for goal, _ in self.shares.could_take(one.rig)]
        if not could or not _has_room(one, own, could):
            return
        guests = [goal for goal in could if goal.need_s > 0]
        theirs = one.plan(guests, self.places, busy_of(own))
        self.not_here[one.rig.rig_id] = dict(_not_planned(theirs))
        self._set(one, joined(own, theirs))

    def _left(self, goal: Wanted) -> Wanted:
        return replace(goal, elsewhere_s=sum(self.given[goal.key].values()))

    def _set(self, one: RigNight, plan: NightPlan) -> None:
        self.plans[one.rig.rig_id] = plan
        for (target, line), given in self.given.items():
            given[one.rig.name] = sum(
                block.effective_s
                for block in plan.blocks
                if block.action.target == target and _passes(one.rig, block.action.filter, line)
            )

    def told(self, one: RigNight) -> RigPlan:
        """Give a rig's plan, with what other rigs give its goals, and what is to be said of it."""
        plan = self.plans[one.rig.rig_id]
        shared = {goal.key: found for goal in plan.wanted if (found := self._shared(one, goal))}
        remarks = tuple(self._remarks(one.rig, plan))
        return RigPlan(one.rig, replace(plan, shared=shared), one.night, one.zone, remarks)

    def _shared(self, one: RigNight, goal: Wanted) -> Shared | None:
        given = self.given[goal.key]
        others = tuple(name for name, s in given.items() if s > 0 and name != one.rig.name)
        return Shared(others, sum(given.values())) if others else None

    def _remarks(self, rig: RigAtWork, plan: NightPlan) -> Iterator[str]:
        yield from strange_words(self.shares, rig)
        not_here = self.not_here.get(rig.rig_id)
        if not plan.wanted:
            yield from left_out_words(self.shares, rig, self.given, not_here or {})
        elif not_here is not None:
            yield from ended_words(self.shares, rig, self.given)
        yield from unknown_share_words(self.shares, rig, {goal.key for goal in plan.wanted})


def _has_room(one: RigNight, own: NightPlan, guests: Sequence[Wanted]) -> bool:
    """Tell whether a frame for other rigs' goals may fit beside what is planned."""
    if not own.blocks:
        return True
    least_s = own.setting.known.cadence.setup_s + min(
        (action.exposure_s for action in actions_for(one.rig, guests)), default=0.0
    )
    return any(end - start >= least_s * SECOND for start, end in free_of(own))


def _passes(rig: RigAtWork, filter_name: str, line: str) -> bool:
    return line == filter_name or line in rig.settings.bands.get(filter_name, ())


def _not_planned(plan: NightPlan) -> Iterator[tuple[Key, str]]:
    for number, action in reversed(list(enumerate(plan.actions))):
        for goal in action.serves:
            why = reason(plan, number, goal)
            if why is not None:
                yield plan.wanted[goal].key, why
