"""Trailed: stars stretched one way over the whole frame, beyond what the rig always does."""

from cmath import phase
from collections.abc import Iterator
from dataclasses import replace
from math import degrees

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.against_nights import against_stretch
from runlog.core.grading.baseline import (
    ELONGATED,
    LINES_AXIS_RATIO,
    eccentricity_of,
    ellipticity,
    ellipticity_of,
)
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule, Turn
from runlog.core.grading.faults.defocused import DEFOCUSED
from runlog.core.grading.faults.dew import DEW
from runlog.core.grading.faults.soft import SOFT
from runlog.core.grading.physics import ALIGNMENT, LONGEST, check_of, one_way
from runlog.core.grading.policy import Limit, Setting
from runlog.core.grading.width import USUAL_ERROR, unmixed

WIDTH_AND_PROFILE = (DEFOCUSED, SOFT, DEW)  # a trail is wide, and spreads a star's light
ECCENTRICITY = Setting(
    "trailed_eccentricity",
    Limit(0.42, 0.6),
    "Beyond the rig's own stretch, for a Moffat of beta 3, 2.2 px wide as sampled: a trail half "
    "as long as the star is wide gives e = 0.32, which nobody sees; seven tenths give 0.42, a "
    "whole width 0.56, which anybody sees, and 1.1 widths 0.60.",
)


def _trailed(this: ComparedFrame) -> Iterator[Check]:
    frame, own = this.frame, this.shape.ellipticity
    got, seen = frame.measurement, ellipticity(unmixed(frame))
    if seen is None or got.eccentricity is None:
        return
    beyond = abs(seen - own) if own is not None else abs(seen)
    excess = eccentricity_of(max(beyond - _left_open(frame), 0.0))
    aligned = got.alignment if got.alignment is not None else 1.0
    grade = ECCENTRICITY.grade(excess, this.policy[ECCENTRICITY])
    text = f"eccentricity {got.eccentricity:.2f}{_few(got.eccentricity_err or 0.0)}"
    text += f"{_against(own, seen, excess)}; {aligned:.0%} of it in one direction"
    too_little = aligned < this.policy[ALIGNMENT] or got.eccentricity < ELONGATED
    if grade is not Grade.KEEP and too_little:
        grade, text = Grade.KEEP, f"{text}, too little for a trail"
    elif grade is not Grade.KEEP and _no_longer(frame, seen, own):
        grade, text = Grade.KEEP, f"{text}, but its stars are no longer than theirs"
    what = "eccentricity beyond the rig's own"
    yield TRAILED.against(this, ECCENTRICITY, excess, what, text, grade)


def _whatever_is_usual(this: ComparedFrame) -> Iterator[Check]:
    """Look at the elongation by itself: a night trailed throughout passes its own median."""
    found = one_way(this.frame, this.policy)
    if found is not None:
        yield check_of(found, TRAILED, this)


def _trailed_throughout(this: ComparedFrame) -> Iterator[Check]:
    """Compare with the rig's other nights: one trailed from end to end is its own norm."""
    if shows_lines(this):
        return  # it cannot be told that these are stars
    frame = unmixed(this.frame)
    beside = this if frame is this.frame else replace(this, frame=frame)
    yield from against_stretch(beside, TRAILED, ECCENTRICITY, this.policy[ALIGNMENT])


def shows_lines(this: ComparedFrame) -> bool:
    """Tell whether all that is found is long lines one way, and no frame of the run is rounder.

    Where others are rounder it is a trail. In a whole run a mount that stood still and the lines
    of a lamp through a slit look alike.
    """
    got, own = this.frame.measurement, this.shape.ellipticity
    if got.axis_ratio is None or got.doubled_share is not None:
        return False
    one_way = got.alignment is not None and got.alignment >= this.policy[ALIGNMENT]
    long = got.axis_ratio < LINES_AXIS_RATIO
    rounder = own is not None and abs(own) < (1 - LINES_AXIS_RATIO) / (1 + LINES_AXIS_RATIO)
    return one_way and long and not rounder


def _against(own: complex | None, seen: complex, excess: float) -> str:
    """Say how round the run's other stars are; where they are not, which way both are long."""
    if own is None:
        return ""
    usual = eccentricity_of(abs(own))
    if usual < ELONGATED:
        return f", the rig's own {usual:.2f}"
    here, there = (f"along {degrees(phase(e)) / 2 % 180:.0f} deg" for e in (seen, own))
    others = f"the run's rounder frames {usual:.2f} {there}, by tracking or optics"
    return f" {here}; {others}: {excess:.2f} beyond them"


def _no_longer(frame: Frame, seen: complex, own: complex | None) -> bool:
    """Tell whether a run is elongated throughout and a frame, by its error, not more so.

    Its stars may be long another way; but what made the others long is not known, so it cannot
    be told which of them trailed.
    """
    if own is None or eccentricity_of(abs(own)) < ELONGATED:
        return False
    error = frame.measurement.eccentricity_err or 0.0
    least = ellipticity_of(max(eccentricity_of(abs(seen)) - error, 0.0))
    return least <= abs(own)


def _left_open(frame: Frame) -> float:
    """Ellipticity that too few stars leave open."""
    got = frame.measurement
    if got.eccentricity is None or not got.eccentricity_err:
        return 0.0
    error = max(got.eccentricity_err - USUAL_ERROR, 0.0)
    least = max(got.eccentricity - error, 0.0)
    return ellipticity_of(got.eccentricity) - ellipticity_of(least)


def _few(error: float) -> str:
    """Say the error where it is more than frames usually have."""
    return f" ± {error:.2f} (few stars)" if error > 2 * USUAL_ERROR else ""


TRAILED = FaultKind(
    FaultName.TRAILED,
    rules=(
        Rule(_trailed),
        Rule(_trailed_throughout, Turn.NIGHTS, alone=True),
        Rule(_whatever_is_usual, Turn.NIGHTS),
    ),
    settings=(ECCENTRICITY, ALIGNMENT, LONGEST),
    explains=(Explains(WIDTH_AND_PROFILE, "a trail makes every star wide"),),
)
