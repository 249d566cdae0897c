"""What is usual while a run is young: earlier nights weighed with the run so far.

(n0 x earlier + k x run) / (n0 + k), k frames of the run: the mean of a normal law whose prior is
worth n0 observations (conjugate prior; Gelman et al., Bayesian Data Analysis, chapter 2).
"""

from dataclasses import replace
from typing import TypeVar

from runlog.core.grading.baseline import UsualShape, ellipticity
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.history import Earlier
from runlog.core.grading.usual_light import UsualLight

EARLIER_FRAMES = 5  # that earlier nights are worth

Number = TypeVar("Number", float, complex)


def weigh(this: ComparedFrame, frames: int) -> ComparedFrame:
    """Weigh what is usual for a frame with earlier nights; `frames` of the run told the usual."""
    if this.earlier is None:
        return this
    shape = _shape(this, this.earlier, frames)
    light = _light(this, this.earlier, frames)
    return replace(
        this,
        shape=shape,
        light=light,
        shape_weighed=True,
        light_weighed=light.transparency != this.light.transparency,
    )


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


def _light(this: ComparedFrame, earlier: Earlier, frames: int) -> UsualLight:
    before = earlier.lights.get(this.frame.placement.matched_to or "")
    return replace(this.light, transparency=_mean(before, this.light.transparency, frames))


def _mean(earlier: Number | None, run: Number | None, frames: int) -> Number | None:
    if earlier is None or run is None:
        return run if earlier is None else earlier
    return (EARLIER_FRAMES * earlier + frames * run) / (EARLIER_FRAMES + frames)
