"""Sums of exposure time per target and filter, and what is still to go."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil, fsum
from typing import Any

from runlog.core.frame import Frame, Grade, Lacks
from runlog.core.ledger.worth import Worth

SECONDS_PER_HOUR = 3600.0
NOTHING = Worth()


@dataclass(frozen=True, slots=True)
class Sums:
    """Exposure time of one target and filter; the four grades add up to logged."""

    target: str
    filter: str
    frames: int = 0
    logged_s: float = 0.0
    kept_s: float = 0.0
    doubtful_s: float = 0.0
    rejected_s: float = 0.0
    ungraded_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RunSum(Sums):
    """What one run holds; kept frames whose depth is unknown are counted by what it lacks."""

    lack_gain: int = 0
    lack_zero: int = 0
    lack_stars: int = 0
    lack_whole: int = 0


@dataclass(frozen=True, slots=True)
class Total(Sums):
    """What all nights hold, against its goal."""

    effective_s: float | None = None  # by the references of today
    worth: Worth = NOTHING  # what it rests on
    goal_s: float | None = None
    nights: int = 0
    goal_form: str | None = None  # hours, ratio, gain
    priority: int | None = None
    credited_s: float = 0.0  # kept through filters that pass this band among others
    credited_doubtful_s: float = 0.0
    doubtful_counts: bool = False  # towards the goal
    whole: "Total | None" = None  # the same over all nights and rigs, where this is a part of them

    @property
    def counted_s(self) -> float:
        """Time that counts towards the goal."""
        doubtful_s = self.doubtful_s + self.credited_doubtful_s if self.doubtful_counts else 0.0
        return self.kept_s + self.credited_s + doubtful_s

    @property
    def over_all(self) -> "Total":
        """The total that goals are about: over all nights and rigs, whatever part this is."""
        return self.whole or self

    @property
    def to_go_s(self) -> float | None:
        """Goal minus all that counts, never below zero; None without a goal."""
        return None if self.goal_s is None else max(self.goal_s - self.over_all.counted_s, 0.0)

    @property
    def frames_to_go(self) -> int | None:
        """Frames of the usual length that fill what is to go; None when none was ever taken."""
        taken = self.over_all
        if self.to_go_s is None or not taken.frames or not taken.logged_s:
            return None
        return ceil(round(self.to_go_s * taken.frames / taken.logged_s, 6))

    @property
    def progress(self) -> float | None:
        """Share of the goal that is reached, at most 1; None without a goal."""
        if self.goal_s is None:
            return None
        return 1.0 if self.goal_s <= 0 else min(self.over_all.counted_s / self.goal_s, 1.0)

    @property
    def done(self) -> bool | None:
        """Whether the goal is reached; None without a goal."""
        return None if self.to_go_s is None else self.to_go_s == 0.0

    @property
    def known_s(self) -> float:
        """Kept time of the frames whose depth is known: what effective time is of."""
        return self.worth.known_s or self.kept_s

    @property
    def share_kept(self) -> float | None:
        """Share of the logged time that is kept; None when nothing was logged."""
        return self.kept_s / self.logged_s if self.logged_s else None


ADDED = "frames logged_s kept_s doubtful_s rejected_s ungraded_s".split()


def summed(target: str, filter_name: str, totals: Sequence[Total]) -> Total:
    """Add totals up; effective time is unknown where kept time of one of them has none.

    Nights are not added, for several filters share them, nor what bands lend one another.
    """
    values: dict[str, Any] = {n: sum(getattr(t, n) for t in totals) for n in ADDED}
    deep = [t.effective_s for t in totals if t.kept_s]
    effective_s = None if None in deep else fsum(s for s in deep if s is not None)
    return Total(target, filter_name, **values, effective_s=effective_s)


GRADE_SUM = {
    Grade.KEEP: "kept_s",
    Grade.DOUBTFUL: "doubtful_s",
    Grade.REJECT: "rejected_s",
    Grade.UNGRADED: "ungraded_s",
}


LACK_SUM = {
    Lacks.GAIN: "lack_gain",
    Lacks.ZERO: "lack_zero",
    Lacks.STARS: "lack_stars",
    Lacks.WHOLE: "lack_whole",
}


def sum_run(lights: Iterable[Frame]) -> list[RunSum]:
    """Add up the counted light frames of a run by their grades in force."""
    groups: dict[tuple[str, str], list[Frame]] = {}
    for frame in lights:
        groups.setdefault((frame.context.target, frame.context.filter), []).append(frame)
    return [_sum(*key, members) for key, members in sorted(groups.items())]


def _sum(target: str, filter_name: str, members: Sequence[Frame]) -> RunSum:
    kept = [f.judgement.depth_lacks for f in members if f.judgement.grade is Grade.KEEP]
    values: dict[str, Any] = {
        name: fsum(_length(f) for f in members if f.judgement.grade is wanted)
        for wanted, name in GRADE_SUM.items()
    }
    values |= {name: sum(why is one for why in kept) for one, name in LACK_SUM.items()}
    return RunSum(target, filter_name, len(members), fsum(map(_length, members)), **values)


def _length(frame: Frame) -> float:
    return frame.header.exposure_s or 0.0
