"""A frame beside what it is compared with: all that a rule may look at."""

from dataclasses import dataclass

from runlog.core.frame import Frame
from runlog.core.grading.baseline import UsualAim, UsualShape
from runlog.core.grading.course import Focus
from runlog.core.grading.history import Earlier
from runlog.core.grading.light_levels import Level
from runlog.core.grading.policy import Policy
from runlog.core.grading.usual_light import UsualCount, UsualLight

NOWHERE = UsualAim()
RUNS_CLEAR = "this run's clear frames"


@dataclass(frozen=True, slots=True)
class ComparedFrame:
    """One frame, what is usual beside it, and the limits that hold for its filter."""

    frame: Frame
    shape: UsualShape
    light: UsualLight
    count: UsualCount
    earlier: Earlier | None
    policy: Policy
    aim: UsualAim = NOWHERE
    own_best: bool = False  # the best frame of its field is one of this run
    run_frames: int = 1  # measured frames of its run, whatever they show
    focus: Focus | None = None  # against the run in focus, through all filters
    beside_covered: bool = False  # its stars went beside frames that something covers in part
    standing: bool = False  # what covers it stands before the frame beside it too
    level: Level | None = None  # of light, at which it was lost for long
    # What is usual is that of earlier nights and of this run so far, weighed.
    shape_weighed: bool = False
    light_weighed: bool = False

    @property
    def nights_before(self) -> bool:
        """Tell whether nights before this one say what is usual; later ones reject nothing."""
        return self.earlier is not None and self.earlier.earlier_alone is not None

    @property
    def runs_usual(self) -> str:
        """Name the frames that star shapes are compared with."""
        if self.shape_weighed:
            return "the usual of earlier nights and this run"
        return "this run's usual in all filters" if self.shape.all_filters else "this run's usual"

    @property
    def clear_frames(self) -> str:
        """Name the frames that the light is compared with."""
        return "earlier nights' and this run's clear frames" if self.light_weighed else RUNS_CLEAR


def ratio(value: float | None, usual: float | None) -> float | None:
    """Divide where both are known and the usual value is not zero."""
    return None if value is None or not usual else value / usual
