"""A frame beside the rig's other nights: what a whole night has, its own median cannot tell.

On the evidence of later nights alone a frame may become doubtful, never a reject.
"""

from cmath import phase
from collections.abc import Callable, Iterator
from math import degrees

from runlog.core.frame import Grade
from runlog.core.grading.baseline import (
    ELONGATED,
    eccentricity_of,
    ellipticity,
    profile,
)
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind
from runlog.core.grading.history import Earlier
from runlog.core.grading.policy import Limit, Setting
from runlog.core.grading.width import at_airmass, low_down, sure_width, width_words

Value = Callable[[Earlier], float | None]


def capped(
    this: ComparedFrame, setting: Setting[Limit], value: Value, limit: Limit
) -> tuple[float | None, Grade]:
    """Give a value against other nights and its grade, which later nights alone do not reject."""
    earlier = this.earlier
    found = None if earlier is None else value(earlier)
    if earlier is None or found is None:
        return None, Grade.KEEP
    grade = setting.grade(found, limit)
    if grade is not Grade.REJECT or not earlier.later:
        return found, grade
    alone = None if earlier.before is None else value(earlier.before)
    sure = alone is not None and setting.grade(alone, limit) is Grade.REJECT
    return found, grade if sure else Grade.DOUBTFUL


def against_width(
    this: ComparedFrame, kind: FaultKind, setting: Setting[Limit], why: str
) -> Iterator[Check]:
    """Compare the width: a poor night must not pass its own median."""
    sure = sure_width(this.frame)
    if this.earlier is None or sure is None:
        return

    def times_of(earlier: Earlier) -> float:
        return sure / at_airmass(this, earlier.fwhm_px)

    times, grade = capped(this, setting, times_of, this.policy[setting])
    if times is None:
        return
    expected = at_airmass(this, this.earlier.fwhm_px)
    text = (
        f"{width_words(this.frame)} {times:.1f} times {this.earlier.named} usual {expected:.1f} px"
    )
    text += f"{low_down(this)}{why}"
    yield kind.against(this, setting, times, "FWHM against other nights", text, grade)


def flatter_than_before(this: ComparedFrame, least_change: float) -> str | None:
    """Say that the profile is flatter than on the rig's other nights; None where it is not."""
    usual = this.earlier.profile if this.earlier else None
    change = ratio(profile(this.frame), usual)
    if change is None or this.earlier is None or change > 1 - least_change:
        return None
    return (
        f"a flatter profile (half-flux radius over FWHM {change - 1:+.0%} against "
        f"{this.earlier.named} usual)"
    )


def against_light(this: ComparedFrame, kind: FaultKind, setting: Setting[Limit]) -> Iterator[Check]:
    """Compare the light with clear frames of the same field: haze over the whole night."""
    place = this.frame.placement
    share, field = place.transparency, place.matched_to
    if this.earlier is None or share is None or field is None:
        return

    def share_of(earlier: Earlier) -> float | None:
        return ratio(share, earlier.lights.get(field))

    found, grade = capped(this, setting, share_of, this.policy[setting])
    if found is None:
        return
    text = f"stars give {found:.0%} of the light they gave in {this.earlier.named} clear frames"
    yield kind.against(this, setting, found, "light against other nights", text, grade)


def against_stretch(
    this: ComparedFrame, kind: FaultKind, setting: Setting[Limit], least_aligned: float
) -> Iterator[Check]:
    """Compare the elongation with the rig's own on this side of the pier."""
    got, seen = this.frame.measurement, ellipticity(this.frame)
    if this.earlier is None or seen is None or got.eccentricity is None:
        return
    side, camera_deg = this.frame.header.pier_side or "", this.frame.header.sky_angle_deg

    def excess_of(earlier: Earlier) -> float | None:
        own = earlier.ellipticity(side, seen, camera_deg)
        return None if own is None else eccentricity_of(abs(seen - own))

    excess, grade = capped(this, setting, excess_of, this.policy[setting])
    own = this.earlier.ellipticity(side, seen, camera_deg)
    if excess is None or own is None:
        return
    aligned = got.alignment if got.alignment is not None else 1.0
    text = f"eccentricity {got.eccentricity:.2f} along {degrees(phase(seen)) / 2 % 180:.0f} deg, "
    text += f"{this.earlier.named} usual {eccentricity_of(abs(own)):.2f}; "
    text += f"{aligned:.0%} of it in one direction"
    if grade is not Grade.KEEP and (aligned < least_aligned or got.eccentricity < ELONGATED):
        grade, text = Grade.KEEP, f"{text}, too little for a trail"
    what = "eccentricity beyond other nights'"
    yield kind.against(this, setting, excess, what, text, grade)
