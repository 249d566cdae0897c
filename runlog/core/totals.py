"""Sums of exposure time per target and filter, and what is still to go."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from math import ceil

from runlog.core.frame import Grade, RunFrame

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class RunSum:
    """What one run holds of one target and filter; the four grades add up to logged."""

    target: str
    filter: str
    frames: int = 0
    logged_s: float = 0.0
    kept_s: float = 0.0
    doubtful_s: float = 0.0
    rejected_s: float = 0.0
    ungraded_s: float = 0.0
    effective_s: float | None = None


@dataclass(frozen=True, slots=True)
class Total:
    """What all nights hold of one target and filter, against its goal."""

    target: str
    filter: str
    frames: int = 0
    logged_s: float = 0.0
    kept_s: float = 0.0
    doubtful_s: float = 0.0
    rejected_s: float = 0.0
    ungraded_s: float = 0.0
    effective_s: float | None = None
    goal_s: float | None = None
    nights: int = 0

    @property
    def to_go_s(self) -> float | None:
        """Goal minus kept, never below zero; None without a goal."""
        return None if self.goal_s is None else max(self.goal_s - self.kept_s, 0.0)

    @property
    def frames_to_go(self) -> int | None:
        """Frames of the usual length that fill what is to go; None when none was ever taken."""
        if self.to_go_s is None or not self.frames or not self.logged_s:
            return None
        return ceil(round(self.to_go_s * self.frames / self.logged_s, 6))


GRADE_SUM = {
    Grade.KEEP: "kept_s",
    Grade.DOUBTFUL: "doubtful_s",
    Grade.REJECT: "rejected_s",
    Grade.UNGRADED: "ungraded_s",
}


@dataclass(slots=True)
class _Adder:
    frames: int = 0
    seconds: dict[str, float] = field(
        default_factory=lambda: dict.fromkeys(GRADE_SUM.values(), 0.0)
    )
    logged_s: float = 0.0


def sum_run(graded: Iterable[tuple[RunFrame, Grade]]) -> list[RunSum]:
    """Add up the counted light frames of a run; every exposure once."""
    adders: dict[tuple[str, str], _Adder] = {}
    for frame, grade in graded:
        adder = adders.setdefault((frame.target, frame.filter), _Adder())
        length_s = frame.exposure_s or 0.0
        adder.frames += 1
        adder.logged_s += length_s
        adder.seconds[GRADE_SUM[grade]] += length_s
    return [
        RunSum(target, filter_name, adder.frames, adder.logged_s, **adder.seconds)
        for (target, filter_name), adder in sorted(adders.items())
    ]


def with_goal(total: Total, goal_s: float | None) -> Total:
    """Set a total against its goal."""
    return replace(total, goal_s=goal_s)
