"""Readout: a glitch while the frame was read out, what its camera's other frames do not have."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.bright_sky import BRIGHT_SKY
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.faults.doubled import DOUBLED
from runlog.core.grading.faults.few_stars import FEW_STARS
from runlog.core.grading.faults.obstructed import OBSTRUCTED, is_covered
from runlog.core.grading.faults.trailed import TRAILED, WIDTH_AND_PROFILE

STARS_OF_ROWS = 15  # a third of the rows then holds the five that must agree
# Half a frame looks covered, bands of rows look bright or cloudy.
MISREAD = (OBSTRUCTED, CLOUD, BRIGHT_SKY, FEW_STARS)


def _readout(this: ComparedFrame) -> Iterator[Check]:
    found = this.frame.placement.readout or _out_of_place(this)
    if found and is_covered(this):
        # The edge of a roof makes rows differ, and hides their stars.
        text = f"{found}, but what covers this frame and the one beside it may do that"
        yield Check(READOUT, "rows as read out", Grade.KEEP, text)
        return
    grade = Grade.REJECT if found else Grade.KEEP
    text = found or this.frame.placement.readout_doubt or _no_glitch(this.frame)
    yield Check(READOUT, "rows as read out", grade, text)


def _no_glitch(frame: Frame) -> str:
    """Say what is known not to be there; a camera without hot columns shows no displacement."""
    silent = _why_stars_are_silent(frame)
    if silent is None:
        return "no repeated, missing, banded or displaced rows"
    return (
        "no repeated, missing or banded rows; displaced ones are unknown where no column of the"
        f" camera shows them, because {silent}"
    )


def _why_stars_are_silent(frame: Frame) -> str | None:
    """Say why the stars do not tell whether rows are displaced; None where they do."""
    if frame.placement.matched is None:
        return "there is no other frame to lay its stars on"
    if not frame.placement.matched:
        return "its stars could be laid on no other frame"
    if (frame.measurement.stars or 0) < STARS_OF_ROWS:
        return f"{frame.measurement.stars or 0} stars are too few to tell"
    return None


def _out_of_place(this: ComparedFrame) -> str | None:
    """Judge displaced rows by the majority: the best frame may itself be the displaced one."""
    differs = this.frame.placement.rows_out_of_place
    if this.light.out_of_place_share <= 0.5:
        return differs
    if this.frame.placement.matched and differs is None:
        return "a band of rows is out of place against most frames of this run"
    return None


READOUT = FaultKind(
    FaultName.READOUT,
    rules=(Rule(_readout, alone=True),),
    explains=(
        Explains(
            (DOUBLED, TRAILED, *WIDTH_AND_PROFILE, *MISREAD),
            "rows that were read out wrong spoil all that is measured on them",
        ),
    ),
)
