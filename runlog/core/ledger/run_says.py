"""What a run says of hours, and whose hours may be others when runs say something else."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf

from runlog.core.ledger.depth_reference import NightValue, Reference, reference_of
from runlog.core.ledger.restated import WORTH_TELLING
from runlog.core.ledger.worth import Part, References

Pair = tuple[str, str]  # target and filter
ROUNDING = 1e-9


class What(StrEnum):
    """What a reference is of."""

    LIGHT = "light"
    POINT = "point"
    EXTENDED = "extended"


Group = tuple[What, int, str]  # of a rig, and a base of light or a filter
Nights = Mapping[Group, Iterable[tuple[int, NightValue]]]  # what runs, by number, would be
Pairs = set[Pair]


@dataclass(frozen=True, slots=True)
class RunSays:
    """What a run says of hours: what is kept, how deep, and what its night would be as reference.

    Where it stands beside others, each part's light is among its nights under its base.
    """

    kept_s: dict[Pair, float] = field(default_factory=dict)
    parts: dict[Pair, list[Part]] = field(default_factory=dict)
    nights: dict[Group, list[NightValue]] = field(default_factory=dict)


Runs = Mapping[int, RunSays]
NOTHING = RunSays()


def groups_changed(before: Runs, now: Runs) -> set[Group]:
    """Find the references that rest on what some runs say otherwise now."""
    return {
        group
        for number, then in before.items()
        for own in [now.get(number, NOTHING)]
        for group in {*then.nights, *own.nights}
        if then.nights.get(group) != own.nights.get(group)
    }


def pairs_changed(before: Runs, now: Runs) -> Pairs:
    """Find targets and filters of which some run keeps as much as before, but not as deep."""
    return {
        pair
        for number, then in before.items()
        for own in [now.get(number, NOTHING)]
        for pair, kept_s in then.kept_s.items()
        if own.kept_s.get(pair) == kept_s and own.parts.get(pair) != then.parts.get(pair)
    }


@dataclass(frozen=True, slots=True)
class Moved:
    """Some references of before and of now."""

    before: Mapping[Group, Reference]
    now: Mapping[Group, Reference]

    def factor(self, what: What, rig_id: int, name: str) -> float:
        """Give by how much hours may have changed that one divides, from 1 on."""
        group = what, rig_id, name
        before, now = self.before.get(group), self.now.get(group)
        if before is None or now is None:
            return 1.0 if before is now else inf
        if before.value == now.value:
            return 1.0
        low, high = sorted((before.value, now.value))
        return high / low if low > 0 else inf

    def may_tell(self, rig_id: int, filter_name: str, base: str) -> bool:
        """Tell whether hours that these divide may have changed by more than is told."""
        forms = (self.factor(what, rig_id, filter_name) for what in (What.POINT, What.EXTENDED))
        together = self.factor(What.LIGHT, rig_id, base) * max(forms)
        return together > 1 + WORTH_TELLING - ROUNDING

    @property
    def is_far(self) -> bool:
        """Tell whether any two of them may."""
        of = {what: [1.0] for what in What}
        for group in {*self.before, *self.now}:
            of[group[0]].append(self.factor(*group))
        together = max(of[What.LIGHT]) * max(*of[What.POINT], *of[What.EXTENDED])
        return together > 1 + WORTH_TELLING - ROUNDING

    def references(self) -> tuple[References, References]:
        """Give those of before and those of now."""
        return _references(self.before), _references(self.now)


def moved(nights: Nights, before: Runs) -> Moved:
    """Find references as they are, and as they were when some runs said what they said before."""
    were: dict[Group, list[NightValue]] = {}
    for run in before.values():
        for group, own in run.nights.items():
            were.setdefault(group, []).extend(own)
    then = {
        group: [*were.get(group, ()), *(night for n, night in said if n not in before)]
        for group, said in nights.items()
    }
    now = {group: [night for _, night in said] for group, said in nights.items()}
    return Moved(_found(then), _found(now))


def references_among(nights: Nights) -> References:
    """Find the references that are of some nights."""
    return _references(_found({group: [n for _, n in said] for group, said in nights.items()}))


def _found(nights: Mapping[Group, Sequence[NightValue]]) -> dict[Group, Reference]:
    every = ((group, reference_of(own)) for group, own in nights.items())
    return {group: reference for group, reference in every if reference is not None}


def _references(found: Mapping[Group, Reference]) -> References:
    by: dict[What, dict[tuple[int, str], Reference]] = {what: {} for what in What}
    for (what, rig_id, name), reference in found.items():
        by[what][rig_id, name] = reference
    return References(by[What.LIGHT], by[What.POINT], by[What.EXTENDED])


def groups_of(parts: Iterable[Part]) -> Iterator[Group]:
    """Name the references that parts are divided by."""
    for part in parts:
        yield What.LIGHT, part.rig_id, part.base
        yield What.POINT, part.rig_id, part.filter
        yield What.EXTENDED, part.rig_id, part.filter


def parts_of(runs: Runs, pairs: Pairs) -> Iterator[Part]:
    """List the parts of some targets and filters."""
    for run in runs.values():
        for pair in run.parts.keys() & pairs:
            yield from run.parts[pair]
