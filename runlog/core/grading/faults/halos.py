"""Halos: light taken from the stars' cores and spread around them. Dew, fog, thin cloud."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.baseline import profile
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.policy import Limit, Setting

HALO_WORDS = "halos around the stars"
RATIO = Setting(
    "halo_ratio",
    Limit(1.1, 1.5),
    "Wings that grew by this much are halos: dew on the optics, fog, or thin cloud with it.",
)


def _halos(this: ComparedFrame) -> Iterator[Check]:
    times = ratio(profile(this.frame), this.shape.profile)
    if times is None or this.frame.measurement.width_from == "moments":
        return
    grade = RATIO.grade(times, this.policy[RATIO])
    words = HALO_WORDS if grade is not Grade.KEEP else "no halos"
    text = f"{words}: half-flux radius over FWHM {times:.2f} times {this.runs_usual}"
    yield HALOS.against(this, RATIO, times, "half-flux radius over FWHM", text, grade)


HALOS = FaultKind(
    FaultName.FEW_STARS,  # what dew comes to in the end
    rules=(Rule(_halos),),
    settings=(RATIO,),
    explains=(Explains((CLOUD,), "halos take light out of the stars without any cloud", rank=1),),
)
