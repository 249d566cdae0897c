"""What is usual while a run is young: earlier nights weighed with the run so far.

(n0 x earlier + k x run) / (n0 + k), k frames of the run: the mean of a normal law whose prior is
worth n0 observations (conjugate prior; Gelman et al., Bayesian Data Analysis, chapter 2).
"""

from dataclasses import replace
from typing import TypeVar

from runlog.core.grading.baseline import UsualShape, ellipticity
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.course import STEEPER, Focus
from runlog.core.grading.history import Earlier

EARLIER_FRAMES = 5  # that earlier nights are worth
# Half-flux radius over FWHM of the most winged star that clear air and optics in focus make: a
# Moffat of beta 2.5 has 0.65 (drawn with GalSim), real frames in focus 0.56 to 0.63. Dew and haze
# make more; frames like that do not say what is in focus.
WINGED = 0.66

Number = TypeVar("Number", float, complex)


def weigh(this: ComparedFrame, frames: int) -> ComparedFrame:
    """Weigh what is usual for a frame with earlier nights; `frames` of the run told the usual."""
    earlier = None if this.earlier is None else this.earlier.earlier_alone
    if earlier is None:
        return this  # later nights reject nothing
    before = earlier.lights.get(this.frame.placement.matched_to or "")
    own = this.light.transparency if frames else None
    return replace(
        this,
        shape=_shape(this, earlier, frames),
        light=replace(this.light, transparency=_mean(before, own, frames)),
        shape_from=_named(earlier, this.shape.fwhm_px if frames else None),
        light_from="" if before is None else f"{_whose(earlier, own)} clear frames",
    )


def _named(earlier: Earlier, run: float | None) -> str:
    return f"{earlier.named} usual" if run is None else "the usual of earlier nights and this run"


def _whose(earlier: Earlier, run: float | None) -> str:
    return earlier.named if run is None else "earlier nights' and this run's"


def _shape(this: ComparedFrame, earlier: Earlier, frames: int) -> UsualShape:
    seen, header = ellipticity(this.frame), this.frame.header
    own = None
    if seen is not None:
        own = earlier.ellipticity(header.pier_side or "", seen, header.sky_angle_deg)
    return replace(
        this.shape,
        fwhm_px=_mean(earlier.fwhm_px, this.shape.fwhm_px, frames),
        profile=_mean(earlier.profile, this.shape.profile, frames),
        ellipticity=_mean(own, this.shape.ellipticity, frames),
    )


def _mean(earlier: Number | None, run: Number | None, frames: int) -> Number | None:
    if earlier is None or run is None:
        return run if earlier is None else earlier
    return (EARLIER_FRAMES * earlier + frames * run) / (EARLIER_FRAMES + frames)


# --- focus ----------------------------------------------------------------------------------


def of_winged(this: ComparedFrame) -> ComparedFrame:
    """Leave the profile out of what is usual where dew or haze gave the run's frames wings."""
    usual = this.shape.profile
    if usual is None or usual <= WINGED:
        return this
    return replace(this, shape=replace(this.shape, profile=None))


def in_true_focus(this: ComparedFrame) -> ComparedFrame:
    """Let no winged start of a run pass for the focus that its good frames are flatter than."""
    focus, usual = this.focus, this.shape.profile
    if focus is None or (focus.usual_profile <= WINGED and this.earlier is None):
        return this
    if usual is None:
        return replace(this, focus=None)
    return replace(this, focus=_refocused(focus, usual)) if focus.usual_profile > usual else this


def _refocused(focus: Focus, usual_profile: float) -> Focus:
    share = focus.usual_profile / usual_profile
    # The course counts width and profile alike; a profile that changed less moves it by half.
    return replace(
        focus,
        change=(1 + focus.change) * share - 1,
        usual_profile=usual_profile,
        times=focus.times / share ** (STEEPER / 2),
    )
