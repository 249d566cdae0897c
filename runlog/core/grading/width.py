"""How wide a frame's stars are against what is expected of them at its airmass."""

from collections.abc import Iterator
from dataclasses import replace
from math import log, sqrt

from runlog.core.frame import Frame
from runlog.core.grading.baseline import width_at
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind
from runlog.core.grading.policy import Limit, Setting

# Mixing neighbouring pixels widens stars along an axis by up to a quarter of a pixel squared: the
# variance f (1 - f) of linear interpolation at a fraction f of a pixel, the widest in use.
MIXED_PX2 = 0.25
SIGMA_TO_FWHM2 = 8 * log(2)
LOW_AIRMASS = 1.3  # from here the air widens stars by a tenth and more
# errors that every frame has and the limits allow for; what is beyond them counts for the frame
USUAL_ERROR = 0.03  # of the width, and of the eccentricity

EARLIER_NIGHTS = Setting(
    "soft_history_ratio",
    Limit(1.5, 2.5),
    "Against the rig's earlier nights: a night that is poor throughout must not pass as usual.",
)


def against_run(
    this: ComparedFrame, kind: FaultKind, setting: Setting[Limit], why: str
) -> Iterator[Check]:
    """Compare with the run: did something break?"""
    zenith, source = this.shape.fwhm_px, this.runs_usual
    expected = None if zenith is None else at_airmass(this, zenith)
    times = ratio(sure_width(this.frame), expected)
    if times is None or expected is None:
        return
    text = f"{width_words(this.frame)} {times:.1f} times {source} {expected:.1f} px"
    text += f"{low_down(this)}; {why}"
    yield kind.against(this, setting, times, f"FWHM against {source}", text)


def sure_width(frame: Frame) -> float | None:
    """Width that even the error of few stars leaves."""
    width = frame.measurement.fwhm_px
    if width is None:
        return None
    return width - max((frame.measurement.fwhm_px_err or 0.0) - USUAL_ERROR * width, 0.0)


def unmixed(frame: Frame) -> Frame:
    """Take out of a resampled frame's elongation what mixing of pixels alone may have brought."""
    got = frame.measurement
    if not frame.resampled or not got.fwhm_px or not got.axis_ratio:
        return frame
    middle = got.fwhm_px**2 / SIGMA_TO_FWHM2
    short = middle * got.axis_ratio
    long = max(middle / got.axis_ratio - MIXED_PX2, short)
    return replace(frame, measurement=replace(got, axis_ratio=sqrt(short / long)))


def width_words(frame: Frame) -> str:
    """Width in words, with its error where few stars leave much open."""
    error, width = frame.measurement.fwhm_px_err or 0.0, frame.measurement.fwhm_px or 0.0
    if error <= 2 * USUAL_ERROR * width:
        return f"FWHM {width:.1f} px,"
    return f"FWHM {width:.1f} ± {error:.1f} px (few stars), at least"


def low_down(this: ComparedFrame) -> str:
    """Say that the airmass was allowed for, where it matters."""
    airmass = this.frame.context.airmass
    return f" at airmass {airmass:.1f}" if airmass is not None and airmass >= LOW_AIRMASS else ""


def at_airmass(this: ComparedFrame, zenith_px: float) -> float:
    """Give the width at a frame's airmass, and as its pixels were mixed, of one at the zenith."""
    floor = this.earlier.fwhm_floor_px if this.earlier else zenith_px
    width = width_at(zenith_px, 0.75 * floor, this.frame.context.airmass)
    return sqrt(width**2 + SIGMA_TO_FWHM2 * MIXED_PX2) if this.frame.resampled else width
