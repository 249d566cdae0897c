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
    # Whose usual it is, where earlier nights have a part in it.
    shape_from: str = ""
    light_from: str = ""

    @property
    def nights_before(self) -> bool:
        """Tell whether nights before this one say what is usual; later ones reject nothing."""
        return self.earlier is not None and self.earlier.earlier_alone is not None

    @property
    def runs_usual(self) -> str:
        """Name the frames that star shapes are compared with."""
        if self.shape_from:
            return self.shape_from
        return "this run's usual in all filters" if self.shape.all_filters else "this run's usual"

    @property
    def clear_frames(self) -> str:
        """Name the frames that the light is compared with."""
        return self.light_from or RUNS_CLEAR


def ratio(value: float | None, usual: float | None) -> float | None:
    """Divide where both are known and the usual value is not zero."""
    return None if value is None or not usual else value / usual
