"""Dew: halos that take light out of the stars' cores, or light lost at one level for long."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.baseline import profile
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.cloud import CLOUD, HISTORY, TRANSPARENCY, transparency
from runlog.core.grading.policy import Limit, Setting

HALO_WORDS = "halos around the stars"
LEVEL_WORDS = "light lost at one level"
NO_LIGHT_LOST = 0.97  # of the light; halos are made of it, and some of it goes astray
MILD = 1.15  # halos so strong are seen, whatever the light says
RATIO = Setting(
    "halo_ratio",
    Limit(1.1, 1.5),
    "Wings that grew by this much are halos: dew on the optics, fog, or thin cloud with it.",
)


def _halos(this: ComparedFrame) -> Iterator[Check]:
    times = ratio(profile(this.frame), this.shape.profile)
    if times is None or this.frame.measurement.width_from == "moments":
        return
    share, source = transparency(this)
    grade = RATIO.grade(times, this.policy[RATIO])
    lit = share is not None and share >= NO_LIGHT_LOST
    whole = lit and times < MILD and grade is not Grade.KEEP
    grade = Grade.KEEP if whole else grade
    words = HALO_WORDS if grade is not Grade.KEEP else "no halos"
    size = f"half-flux radius over FWHM {times:.2f} times {this.runs_usual}"
    text = f"{words}: {size}{', but no light is lost' if whole else ''}"
    yield DEW.against(this, RATIO, times, "half-flux radius over FWHM", text, grade)
    if grade is not Grade.KEEP:
        yield from _light_lost(this, share, source, f"{HALO_WORDS}: {size}")


def _light_lost(
    this: ComparedFrame, share: float | None, source: str, halos: str
) -> Iterator[Check]:
    """Judge by the light as well: what is lost is lost, whatever took it."""
    best = this.frame.placement.transparency
    for setting, left, where in ((TRANSPARENCY, share, source), (HISTORY, best, "the best frame")):
        if left is not None:
            text = f"{halos}; stars give {left:.0%} of the light they give in {where}"
            yield DEW.against(this, setting, left, f"light against {where}, with halos", text)


def _level(this: ComparedFrame) -> Iterator[Check]:
    """Light that is lost at one level for long, and is there again at once, is no cloud."""
    level = this.level
    share, source = transparency(this)
    if level is None or share is None:
        return
    text = (
        f"{LEVEL_WORDS}: dew, or something in front, unknown which; stars give {share:.0%} of the "
        f"light they give in {source}, as in {level.frames} frames one after another"
    )
    yield DEW.against(this, TRANSPARENCY, share, f"light against {source}, at one level", text)


DEW = FaultKind(
    FaultName.DEW,
    rules=(Rule(_halos), Rule(_level)),
    settings=(RATIO,),
    explains=(
        Explains(
            (CLOUD,),
            "halos, or light that stays at one level and is back at once, are no cloud",
            rank=1,
        ),
    ),
)
