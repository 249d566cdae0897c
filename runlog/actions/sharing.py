"""Share goals out among rigs: each is planned once, with a rig that can take it."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from runlog.actions.plan_knowledge import RigAtWork, rigs_at_work
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.plan.wanted import Wanted
from runlog.core.selection import Selection
from runlog.store.mine import own_rigs

MOST = 3  # goals that a remark names
# What a rig that is given a goal has before another, in the order that decides.
HAS_MORE = (
    "which has used the filter",
    "which logged more of it at its site",
    "which logged more of its target at its site",
    "which logged more through its filter at its site",
    "which was used last",
)


@dataclass(frozen=True)
class Shares:
    """What each rig was given."""

    given: dict[int, list[Wanted]]  # by rig
    among: Sequence[RigAtWork]
    planned: frozenset[int]

    @property
    def elsewhere(self) -> tuple[tuple[Wanted, str], ...]:
        """Goals that a rig was given which is not planned here, and its name."""
        return tuple(
            (goal, rig.name)
            for rig in self.among
            if rig.rig_id not in self.planned
            for goal in self.given[rig.rig_id]
        )

    def remarks(self, rig: RigAtWork) -> tuple[str, ...]:
        """Say what a rig was given without its filter, or why it was given nothing."""
        own = self.given[rig.rig_id]
        if own:
            strange = sorted({goal.filter for goal in own if not has_used(rig, goal.filter)})
            alone = len(self.among) == 1
            return tuple(_strange_words(name, own, alone=alone) for name in strange)
        others = [(goal, one) for one in self.among for goal in self.given[one.rig_id]]
        return (_left_out_words(rig, others),) if others else ()


def shared_out(
    connection: Connection,
    settings: Settings,
    wanted: Iterable[Wanted],
    rigs: Sequence[RigAtWork],
    asked: tuple[Selection, str | None],
) -> Shares:
    """Give each goal to one rig: of those that used its filter the one that logged most of it.

    Where none ever used the filter, any may have it. Of rigs that may claim a goal alike, the one
    that was given fewest gets it. With rigs named (`asked`: a selection, and the login whose goals
    these are), those that are not planned claim theirs all the same; of a login's goals its own.
    """
    selection, owner = asked
    among = list(rigs)
    if selection.rigs is not None:
        named = {rig.rig_id for rig in rigs}
        others = rigs_at_work(connection, settings, None, among=rigs_of(connection, owner))
        among += [rig for rig in others if rig.rig_id not in named]
    given: dict[int, list[Wanted]] = {rig.rig_id: [] for rig in among}
    for goal in wanted:
        claims = {rig.rig_id: _claim(rig, goal) for rig in among}
        strongest = max(claims.values())
        alike = [rig for rig in among if claims[rig.rig_id] == strongest]
        taker = min(alike, key=lambda rig: (len(given[rig.rig_id]), rig.name))
        given[taker.rig_id].append(goal)
    return Shares(given, among, frozenset(rig.rig_id for rig in rigs))


def rigs_of(connection: Connection, owner: str | None) -> tuple[str, ...]:
    """Name the rigs that a login's goals are shared out among; none: everybody's."""
    return () if owner is None else own_rigs(connection)


def has_used(rig: RigAtWork, filter_name: str) -> bool:
    """Tell whether a rig ever took a frame through a filter, or has a dual band that passes it."""
    bands = rig.settings.bands
    return filter_name in rig.filters or any(
        filter_name in bands.get(light.filter, ()) for light in rig.log
    )


def _claim(rig: RigAtWork, goal: Wanted) -> tuple[bool, float, float, float, str]:
    own = [row for row in rig.record if row.target == goal.target]
    return (
        has_used(rig, goal.filter),
        sum(row.logged_s for row in own if row.filter == goal.filter),
        sum(row.logged_s for row in own),
        sum(row.logged_s for row in rig.record if row.filter == goal.filter),
        rig.last_night,
    )


# --- in words ----------------------------------------------------------------------------------


def _strange_words(filter_name: str, own: Collection[Wanted], *, alone: bool) -> str:
    named = _named([goal for goal in own if goal.filter == filter_name])
    who = "This rig never" if alone else "Neither this rig nor any beside it ever"
    return f"{who} used {filter_name}: {named}"


def _left_out_words(rig: RigAtWork, others: Sequence[tuple[Wanted, RigAtWork]]) -> str:
    """Say who was given the goals that this rig could take, and why; else that there are none."""
    could = [(goal, taker) for goal, taker in others if has_used(rig, goal.filter)]
    if not could:
        used = ", ".join(sorted(rig.filters))
        return f"What is wanted is through filters that this rig never used; it used {used}"
    could.sort(key=lambda pair: pair[0].order)
    said = [f"{_named([goal])} is planned with {taker.name}, {_why(rig, taker, goal)}"
            for goal, taker in could[:MOST]]  # fmt: skip
    more = len(could) - MOST
    return "; ".join([*said, f"{plural(more, 'more goal')} with others"] if more > 0 else said)


def _why(rig: RigAtWork, taker: RigAtWork, goal: Wanted) -> str:
    pairs = zip(_claim(rig, goal), _claim(taker, goal), HAS_MORE, strict=True)
    return next((why for own, theirs, why in pairs if own != theirs), "which may claim it alike")


def _named(goals: Iterable[Wanted]) -> str:
    return ", ".join(f"{goal.target} {goal.filter}" for goal in goals)
