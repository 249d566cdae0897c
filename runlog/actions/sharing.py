"""Share goals out among rigs: each is the own goal of one that can take it."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from runlog.actions.plan_knowledge import RigAtWork
from runlog.core.columns import plural
from runlog.core.plan.shared_words import listed
from runlog.core.plan.wanted import Key, Wanted

MOST = 3  # goals that a remark names
# What a rig that is given a goal has before another, in the order that decides.
HAS_MORE = (
    "which has used the filter",
    "which logged more of it at its site",
    "which logged more of its target at its site",
    "which logged more through its filter at its site",
    "which was used last",
)


Given = Mapping[Key, Mapping[str, float]]  # effective seconds that a goal gets, by rig


@dataclass(frozen=True)
class Shares:
    """Whose each goal is."""

    own: Mapping[int, Sequence[Wanted]]  # by rig
    among: Sequence[RigAtWork]

    def all(self) -> list[tuple[Wanted, RigAtWork]]:
        """List goals with their rigs, in the order of goals."""
        pairs = [(goal, rig) for rig in self.among for goal in self.own[rig.rig_id]]
        return sorted(pairs, key=lambda pair: pair[0].order)

    def could_take(self, rig: RigAtWork) -> list[tuple[Wanted, RigAtWork]]:
        """List the goals of other rigs that a rig may serve as well: through a filter it used."""
        return [
            (goal, whose)
            for goal, whose in self.all()
            if whose.rig_id != rig.rig_id and has_used(rig, goal.filter)
        ]

    def others(self, rig: RigAtWork, filter_name: str) -> tuple[str, ...]:
        """Name the rigs that may take part in a rig's own goals through a filter."""
        return tuple(
            sorted(
                one.name
                for one in self.among
                if one.rig_id != rig.rig_id and has_used(one, filter_name)
            )
        )


def shared_out(wanted: Iterable[Wanted], among: Sequence[RigAtWork]) -> Shares:
    """Give each goal to one rig: of those that used its filter the one that logged most of it.

    Where none ever used the filter, any may have it. Of rigs that may claim a goal alike, the one
    that was given fewest gets it.
    """
    own: dict[int, list[Wanted]] = {rig.rig_id: [] for rig in among}
    for goal in wanted:
        claims = {rig.rig_id: _claim(rig, goal) for rig in among}
        strongest = max(claims.values())
        alike = [rig for rig in among if claims[rig.rig_id] == strongest]
        taker = min(alike, key=lambda rig: (len(own[rig.rig_id]), rig.name))
        own[taker.rig_id].append(goal)
    return Shares(own, among)


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


def strange_words(shares: Shares, rig: RigAtWork) -> Iterator[str]:
    """Say what a rig was given without its filter."""
    own = shares.own[rig.rig_id]
    who = "This rig never" if len(shares.among) == 1 else "Neither this rig nor any beside it ever"
    for name in sorted({goal.filter for goal in own if not has_used(rig, goal.filter)}):
        yield f"{who} used {name}: {_named(goal for goal in own if goal.filter == name)}"


def left_out_words(
    shares: Shares, rig: RigAtWork, given: Given, not_here: Mapping[Key, str]
) -> Iterator[str]:
    """Say of a rig without work whose the goals are that it could serve, and why it does not."""
    could = shares.could_take(rig)
    if could:
        said = [
            _whose_words(rig, goal, whose, given.get(goal.key, {}))
            + (f"; not here: {not_here[goal.key]}" if goal.key in not_here else "")
            for goal, whose in could[:MOST]
        ]
        more = len(could) - MOST
        yield "; ".join([*said, f"{plural(more, 'more goal')} with others"] if more > 0 else said)
    elif shares.all():
        used = ", ".join(sorted(rig.filters))
        yield f"What is wanted is through filters that this rig never used; it used {used}"


def _whose_words(rig: RigAtWork, goal: Wanted, whose: RigAtWork, given: Mapping[str, float]) -> str:
    is_its = "is planned with" if given.get(whose.name) else "belongs to"
    alone = [name for name, s in given.items() if s > 0] == [whose.name]
    ends = reached_words(goal, given)
    reached = f", and {'will be reached there' if alone else ends}" if ends else ""
    return f"{_named([goal])} {is_its} {whose.name}, {_why(rig, whose, goal)}{reached}"


def reached_words(goal: Wanted, given: Mapping[str, float]) -> str:
    """Say with which rigs a goal will be reached; nothing where it will not be."""
    if goal.to_go_s is None or sum(given.values()) < goal.to_go_s:
        return ""
    return f"will be reached with {listed([name for name, s in given.items() if s > 0])}"


def ended_words(shares: Shares, rig: RigAtWork, given: Given) -> Iterator[str]:
    """Say which goals of others a rig takes nothing of, because they will be reached."""
    could = [goal for goal, _ in shares.could_take(rig)]
    ended = [(goal, reached_words(goal, given.get(goal.key, {}))) for goal in could
             if not given.get(goal.key, {}).get(rig.name)]  # fmt: skip
    said = [f"{_named([goal])} {words}" for goal, words in ended if words]
    more = len(said) - MOST
    if said:
        yield "; ".join(
            said[:MOST] + ([f"{plural(more, 'more goal')} as well"] if more > 0 else [])
        )


def elsewhere_words(goal: Wanted, whose: RigAtWork, given: Given) -> str:
    """Say where a goal is served of which no rig that is planned here takes anything."""
    each = given.get(goal.key, {})
    giving = [name for name, s in each.items() if s > 0]
    if giving:
        ends = reached_words(goal, each)
        return f"planned with {listed(giving)}" + (", and will be reached" if ends else "")
    why = "which gives it nothing tonight" if whose.site else "whose site is not known"
    return f"belongs to {whose.name}, {why}"


def unknown_share_words(shares: Shares, rig: RigAtWork, taken: Collection[Key]) -> Iterator[str]:
    """Say of which goals that a rig takes part in it is not known what their own rig takes."""
    for goal, whose in shares.could_take(rig):
        if goal.key in taken and whose.site is None:
            yield f"What {whose.name} takes of {_named([goal])} is unknown: its site is not known"


def _why(rig: RigAtWork, taker: RigAtWork, goal: Wanted) -> str:
    pairs = zip(_claim(rig, goal), _claim(taker, goal), HAS_MORE, strict=True)
    return next((why for own, theirs, why in pairs if own != theirs), "which may claim it alike")


def _named(goals: Iterable[Wanted]) -> str:
    return ", ".join(f"{goal.target} {goal.filter}" for goal in goals)
