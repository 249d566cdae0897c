"""One value against one limit, with the words for it; faults and explanations are made of these."""

from dataclasses import dataclass

from runlog.core.frame import Fault, FaultName, Frame, Grade
from runlog.core.grading.baseline import Earlier, UsualAim, UsualCount, UsualLight, UsualShape
from runlog.core.grading.policy import Limit, Policy

LESS_IS_WORSE = frozenset(
    {
        "cloud_transparency",
        "cloud_history",
        "cloud_stars",
        "obstructed_share",
        "few_stars_share",
        "fewest_stars",
    }
)


NOWHERE = UsualAim()


@dataclass(frozen=True, slots=True)
class Case:
    """One frame, what it is compared with, and the limits that hold for its filter."""

    frame: Frame
    shape: UsualShape
    light: UsualLight
    count: UsualCount
    earlier: Earlier | None
    policy: Policy
    aim: UsualAim = NOWHERE
    run_frames: int = 1  # measured frames of its run, whatever they show

    @property
    def runs_usual(self) -> str:
        """Name the frames that star shapes are compared with."""
        return "this run's usual in all filters" if self.shape.all_filters else "this run's usual"


@dataclass(frozen=True, slots=True)
class Check:
    """What was looked at, against which limit, and what follows."""

    fault: FaultName
    what: str
    value: float | None
    limit: Limit | None
    grade: Grade  # keep when within the limit
    evidence: str
    setting: str | None = None  # name of the limit in the policy
    noted: bool = False  # a fault that is worth saying though it costs nothing

    @property
    def more_is_worse(self) -> bool:
        """Tell the sense of the limit."""
        return self.setting not in LESS_IS_WORSE

    @property
    def is_fault(self) -> bool:
        """Tell whether the frame shows this fault."""
        return self.noted or self.grade is not Grade.KEEP

    def as_fault(self) -> Fault:
        """Give the fault with its evidence."""
        return Fault(self.fault, self.grade, self.evidence)


def above(value: float, limit: Limit) -> Grade:
    """Grade a value for which more is worse."""
    if value < limit.doubtful:
        return Grade.KEEP
    return Grade.REJECT if value >= limit.reject else Grade.DOUBTFUL


def below(value: float, limit: Limit) -> Grade:
    """Grade a value for which less is worse."""
    if value > limit.doubtful:
        return Grade.KEEP
    return Grade.REJECT if value <= limit.reject else Grade.DOUBTFUL


def ratio(value: float | None, usual: float | None) -> float | None:
    """Divide where both are known and the usual value is not zero."""
    return None if value is None or not usual else value / usual
