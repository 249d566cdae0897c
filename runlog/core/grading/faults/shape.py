"""What the shape of the stars says: trails, doubled stars, focus, seeing."""

from cmath import phase
from collections.abc import Iterator
from dataclasses import replace
from math import degrees, log, sqrt

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import (
    ELONGATED,
    LINES_AXIS_RATIO,
    eccentricity_of,
    ellipticity_of,
    profile,
    stretch,
    width_at,
)
from runlog.core.grading.checks import Case, Check, above, ratio
from runlog.core.grading.policy import Limit

HALO_WORDS = "halos around the stars"
# Mixing neighbouring pixels widens stars along an axis by up to a quarter of a pixel squared: the
# variance f (1 - f) of linear interpolation at a fraction f of a pixel, the widest in use.
MIXED_PX2 = 0.25
SIGMA_TO_FWHM2 = 8 * log(2)
LOW_AIRMASS = 1.3  # from here the air widens stars by a tenth and more
# errors that every frame has and the limits allow for; what is beyond them counts for the frame
USUAL_ERROR = 0.03  # of the width, and of the eccentricity


def trailed(case: Case) -> Iterator[Check]:
    """Stars stretched in one direction over the whole frame, beyond the rig's own stretch."""
    frame, policy = case.frame, case.policy
    got = frame.measurement
    seen = stretch(unmixed(frame))
    if seen is None or got.eccentricity is None:
        return
    own = case.shape.stretch
    beyond = abs(seen - own) if own is not None else abs(seen)
    excess = eccentricity_of(max(beyond - _open_stretch(frame), 0.0))
    aligned = got.alignment if got.alignment is not None else 1.0
    grade = above(excess, policy.trailed_eccentricity)
    text = f"eccentricity {got.eccentricity:.2f}{_few(got.eccentricity_err or 0.0)}"
    text += f"{_against(own, seen, excess)}; {aligned:.0%} of it in one direction"
    too_little = aligned < policy.trailed_alignment or got.eccentricity < ELONGATED
    if grade is not Grade.KEEP and too_little:
        grade, text = Grade.KEEP, f"{text}, too little for a trail"
    elif grade is not Grade.KEEP and _no_longer(frame, seen, own):
        grade, text = Grade.KEEP, f"{text}, but its stars are no longer than theirs"
    yield Check(
        FaultName.TRAILED,
        "eccentricity beyond the rig's own",
        excess,
        policy.trailed_eccentricity,
        grade,
        text,
        "trailed_eccentricity",
    )


def shows_lines(case: Case) -> bool:
    """Tell whether all that is found is long lines one way, and no frame of the run is rounder.

    Where others are rounder it is a trail. In a whole run a mount that stood still and the lines
    of a lamp through a slit look alike.
    """
    got, own = case.frame.measurement, case.shape.stretch
    if got.axis_ratio is None or got.doubled_share is not None:
        return False
    one_way = got.alignment is not None and got.alignment >= case.policy.trailed_alignment
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
    if (
        own is None
        or frame.measurement.eccentricity is None
        or eccentricity_of(abs(own)) < ELONGATED
    ):
        return False
    error = frame.measurement.eccentricity_err or 0.0
    least = ellipticity_of(max(eccentricity_of(abs(seen)) - error, 0.0))
    return least <= abs(own)


def _open_stretch(frame: Frame) -> float:
    """Ellipticity that too few stars leave open."""
    if frame.measurement.eccentricity is None or not frame.measurement.eccentricity_err:
        return 0.0
    error = max(frame.measurement.eccentricity_err - USUAL_ERROR, 0.0)
    here, low = (
        ellipticity_of(max(e, 0.0))
        for e in (frame.measurement.eccentricity, frame.measurement.eccentricity - error)
    )
    return here - low


def _few(error: float) -> str:
    """Say the error where it is more than frames usually have."""
    return f" ± {error:.2f} (few stars)" if error > 2 * USUAL_ERROR else ""


def _sure_width(frame: Frame) -> float | None:
    """Width that even the error of few stars leaves."""
    if frame.measurement.fwhm_px is None:
        return None
    return frame.measurement.fwhm_px - max(
        (frame.measurement.fwhm_px_err or 0.0) - USUAL_ERROR * frame.measurement.fwhm_px, 0.0
    )


def doubled(case: Case) -> Iterator[Check]:
    """Every star twice at the same offset: wind, a knock, a mirror that shifted."""
    share, apart = case.frame.measurement.doubled_share, case.frame.measurement.doubled_px
    if share is None or apart is None:
        return
    grade = above(share, case.policy.doubled_share)
    text = f"{share:.0%} of the bright stars stand twice, {apart:.0f} px apart"
    yield Check(
        FaultName.DOUBLED, "share of stars that stand twice", share, case.policy.doubled_share,
        grade, text, "doubled_share",
    )  # fmt: skip


def wide(case: Case) -> Iterator[Check]:
    """Tell focus, where the profile changes, from seeing, where it only scales."""
    expected, source = _expected(case)
    times = ratio(_sure_width(case.frame), expected)
    if times is None or expected is None:
        return
    changed = profile_changed(case)
    limit = case.policy.defocused_ratio if changed else case.policy.soft_ratio
    name = FaultName.DEFOCUSED if changed else FaultName.SOFT
    setting = "defocused_ratio" if changed else "soft_ratio"
    why = changed or "the profile kept its shape"
    text = f"{_width(case.frame)} {times:.1f} times {source} {expected:.1f}"
    text += f"{_low_down(case)}; {why}"
    yield Check(name, f"FWHM against {source}", times, limit, above(times, limit), text, setting)


def _width(frame: Frame) -> str:
    """Width in words, with its error where few stars leave much open."""
    error, width = frame.measurement.fwhm_px_err or 0.0, frame.measurement.fwhm_px or 0.0
    if error <= 2 * USUAL_ERROR * width:
        return f"FWHM {width:.1f} px,"
    return f"FWHM {width:.1f} ± {error:.1f} px (few stars), at least"


def _expected(case: Case) -> tuple[float | None, str]:
    """Give the width expected of a frame at its airmass in this run."""
    zenith, source = case.shape.fwhm_px, case.runs_usual
    if zenith is None and case.earlier is not None:
        zenith, source = case.earlier.fwhm_px, f"the last {case.earlier.nights} nights' usual"
    return (None if zenith is None else _at_airmass(case, zenith)), source


def _low_down(case: Case) -> str:
    """Say that the airmass was allowed for, where it matters."""
    airmass = case.frame.context.airmass
    return f" at airmass {airmass:.1f}" if airmass is not None and airmass >= LOW_AIRMASS else ""


def _at_airmass(case: Case, zenith_px: float) -> float:
    floor = case.earlier.fwhm_floor_px if case.earlier else zenith_px
    width = width_at(zenith_px, 0.75 * floor, case.frame.context.airmass)
    return sqrt(width**2 + SIGMA_TO_FWHM2 * MIXED_PX2) if case.frame.resampled else width


def unmixed(frame: Frame) -> Frame:
    """Take out of a resampled frame's elongation what mixing of pixels alone may have brought."""
    if not frame.resampled or not frame.measurement.fwhm_px or not frame.measurement.axis_ratio:
        return frame
    middle = frame.measurement.fwhm_px**2 / SIGMA_TO_FWHM2
    short = middle * frame.measurement.axis_ratio
    long = max(middle / frame.measurement.axis_ratio - MIXED_PX2, short)
    measured = replace(frame.measurement, axis_ratio=sqrt(short / long))
    return replace(frame, measurement=measured)


def wide_for_rig(case: Case) -> Iterator[Check]:
    """Compare with the rig's earlier nights: a poor night must not pass its own median."""
    sure = _sure_width(case.frame)
    if case.earlier is None or sure is None:
        return
    expected = _at_airmass(case, case.earlier.fwhm_px)
    times = sure / expected
    limit = case.policy.soft_history_ratio
    text = (
        f"{_width(case.frame)} {times:.1f} times the last {case.earlier.nights} "
        f"nights' usual {expected:.1f}{_low_down(case)}"
    )
    name = FaultName.DEFOCUSED if profile_changed(case) else FaultName.SOFT
    yield Check(
        name, "FWHM against earlier nights", times, limit, above(times, limit), text,
        "soft_history_ratio",
    )  # fmt: skip


def profile_changed(case: Case) -> str | None:
    """Say how the profile differs from this run's, beyond its scale; None when it does not."""
    change = ratio(profile(case.frame), case.shape.profile)
    if change is None:
        hollow = case.frame.measurement.width_from == "moments"
        return "the stars are discs or rings, no longer points" if hollow else None
    if change > 1 - case.policy.profile_change:
        return None
    return f"a flatter profile (half-flux radius over FWHM {change - 1:+.0%})"


def halos(case: Case) -> Iterator[Check]:
    """Light taken from the stars' cores and spread around them: dew, fog."""
    times = ratio(profile(case.frame), case.shape.profile)
    if times is None or case.frame.measurement.width_from == "moments":
        return
    limit = case.policy.halo_ratio
    grade = above(times, limit)
    words = HALO_WORDS if grade is not Grade.KEEP else "no halos"
    text = f"{words}: half-flux radius over FWHM {times:.2f} times {case.runs_usual}"
    yield Check(
        FaultName.FEW_STARS, "half-flux radius over FWHM", times, limit, grade, text, "halo_ratio"
    )


def too_wide(case: Case) -> Iterator[Check]:
    """Absolute limits on the width, where somebody set them."""
    width, scale = _sure_width(case.frame), case.frame.header.arcsec_per_px
    policy = case.policy
    if width is None:
        return
    if policy.widest_fwhm_px is not None:
        yield _absolute(width, policy.widest_fwhm_px, "px", "widest_fwhm_px")
    if policy.widest_fwhm_arcsec is not None and scale is not None:
        yield _absolute(width * scale, policy.widest_fwhm_arcsec, "″", "widest_fwhm_arcsec")


def _absolute(value: float, limit: Limit, unit: str, setting: str) -> Check:
    text = f"FWHM {value:.1f} {unit}, your limit is {limit.doubtful:.1f}"
    return Check(
        FaultName.SOFT, f"FWHM in {unit}", value, limit, above(value, limit), text, setting
    )
