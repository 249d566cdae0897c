"""Can it be so at all? What no sky and no optics in order make of a star, whatever is usual.

Nothing here is compared with other frames: a night that is wrong from its first frame to its last
passes its own median, but not this.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import ENOUGH, MOST_AIRMASS, SEEING_EXPONENT, profile
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind
from runlog.core.grading.policy import Limit, Policy, Sense, Setting
from runlog.core.grading.width import USUAL_ERROR, sure_width, unmixed

# Below this the square pixel itself flattens a star: half-flux radius over FWHM of a bare pixel is
# 0.354, and of a Gaussian 0.47 at FWHM 1.07 px, 0.49 at 1.7 px, 0.50 from 2.1 px on.
WIDE_PX = 3.0
FEWEST_STARS = 5  # four may be anything
# A sharp lens and its pixels make stars of 2 px, an unsharp one of 4 (common practice, no source).
OPTICS_PX = 5.0
# Half-flux radius over FWHM: a Gaussian has 0.50, and every wing of air and optics adds to it: 0.57
# for the air alone (Kolmogorov; Moffat of beta 4.765, Trujillo et al. 2001), 0.61 for beta 3, 0.65
# for 2.5. Real frames in focus read 0.56 to 0.63; the flattest of any sky, beta 10, has 0.53.
FLATTEST_IN_FOCUS = 0.52

DISC = Setting(
    "disc_profile",
    Limit(0.48, 0.44),
    "Half-flux radius over FWHM of stars 3 px wide or wider. A Gaussian has 0.50, stars in focus "
    "more, discs and rings 0.35 to 0.46: focus, whatever is usual.",
    Sense.BELOW,
)
WIDEST_SKY = Setting(
    "widest_sky_arcsec",
    Limit(7.0, 10.0),
    "Width at the zenith, in seconds of arc, that no sky gives; 5 px are left to optics and "
    "sampling. Poor sites have 4 to 5 on their worst nights (common practice, no source).",
)
LONGEST = Setting(
    "longest_eccentricity",
    Limit(0.44, 0.7),
    "A trail three quarters as long as a star is wide gives e = 0.45 (Moffat of beta 3, 2.2 px "
    "wide as sampled; 0.44 for beta 2.5 at 4.6 px, 0.47 for a Gaussian), one and a half widths "
    "0.72. In one direction over the field it is tracking or optics, whatever is usual.",
)
ALIGNMENT = Setting(
    "trailed_alignment",
    0.4,
    "Trails share one direction over the frame; noise and coma from the corners do not.",
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: which fault it would be, the value against its limit, in words."""

    fault: FaultName
    what: str
    setting: Setting[Limit]
    value: float
    grade: Grade
    evidence: str


def check_of(found: Finding, kind: FaultKind, this: ComparedFrame) -> Check:
    """Make a finding a check of the kind of fault it is; a frame alone is doubtful at most.

    Alone it may be of another instrument than it seems: what it shows is told, and looked at.
    """
    alone = this.shape.frames < ENOUGH and this.earlier is None
    grade = Grade.DOUBTFUL if alone and found.grade is Grade.REJECT else found.grade
    return kind.against(this, found.setting, found.value, found.what, found.evidence, grade)


def impossible(frame: Frame, policy: Policy) -> tuple[Finding, ...]:
    """List what neither sky nor optics in order make of a frame's stars; empty where all can be.

    `policy` is the one for the frame's filter.
    """
    return tuple(f for f in _findings(frame, policy) if f.grade is not Grade.KEEP)


def passes_physics(frame: Frame, policy: Policy) -> bool:
    """Tell whether a frame's stars can be so in a night without trouble."""
    return not impossible(frame, policy)


def _findings(frame: Frame, policy: Policy) -> Iterator[Finding]:
    for look in (disc, too_wide, one_way):
        found = look(frame, policy)
        if found is not None:
            yield found


def disc(frame: Frame, policy: Policy) -> Finding | None:
    """Look whether stars are discs or rings; None where the profile cannot tell."""
    flat = telling_profile(frame)
    if flat is None or _is_trail(frame, policy):
        return None
    text = f"half-flux radius over FWHM {flat:.2f} at FWHM {frame.measurement.fwhm_px:.1f} px"
    grade = DISC.grade(flat, policy[DISC])
    if grade is not Grade.KEEP:
        text = f"the stars are discs or rings: {text}, in focus 0.5 and more"
    what = "half-flux radius over FWHM"
    return Finding(FaultName.DEFOCUSED, what, DISC, flat, grade, text)


def telling_profile(frame: Frame) -> float | None:
    """Half-flux radius over FWHM where it tells the focus: of wide, single, enough stars."""
    got = frame.measurement
    few = (got.stars or 0) < FEWEST_STARS
    if few or got.doubled_share is not None or (got.fwhm_px or 0.0) < WIDE_PX:
        return None
    return profile(frame)


def too_wide(frame: Frame, policy: Policy) -> Finding | None:
    """Look whether stars are wider than any sky makes them; None without a plate scale."""
    width_px, scale = sure_width(frame), frame.header.arcsec_per_px
    doubled = frame.measurement.doubled_share is not None
    if width_px is None or not scale or doubled or (frame.measurement.stars or 0) < FEWEST_STARS:
        return None
    sky = _sky_arcsec(width_px, scale, frame.context.airmass)
    optics = OPTICS_PX * scale
    text = f"stars {width_px * scale:.1f}″ wide; "
    text += f"beyond the {optics:.1f}″ that optics and pixels may take, {sky:.1f}″ at the zenith"
    grade = WIDEST_SKY.grade(sky, policy[WIDEST_SKY])
    if grade is not Grade.KEEP:
        text += ": wider than any sky makes them"
    return Finding(FaultName.SOFT, "FWHM at the zenith in ″", WIDEST_SKY, sky, grade, text)


def _sky_arcsec(width_px: float, scale: float, airmass: float | None) -> float:
    """Part of a width that optics and sampling do not account for, at the zenith."""
    sky_px = sqrt(max(width_px**2 - OPTICS_PX**2, 0.0))
    air = min(max(airmass or 1.0, 1.0), MOST_AIRMASS) ** SEEING_EXPONENT
    return float(sky_px * scale / air)


def one_way(frame: Frame, policy: Policy) -> Finding | None:
    """Look whether all stars are long one way; None where that was not measured."""
    got = frame.measurement
    long = sure_eccentricity(frame)
    if long is None or got.alignment is None or got.doubled_share is not None:
        return None
    aligned = got.alignment >= policy[ALIGNMENT] and (got.stars or 0) >= FEWEST_STARS
    grade = LONGEST.grade(long, policy[LONGEST]) if aligned else Grade.KEEP
    text = f"eccentricity {got.eccentricity:.2f}, {got.alignment:.0%} of it in one direction"
    if grade is not Grade.KEEP:
        text += ": by tracking or optics, unknown which"
    return Finding(FaultName.TRAILED, "eccentricity", LONGEST, long, grade, text)


def sure_eccentricity(frame: Frame) -> float | None:
    """Eccentricity that the error of few stars and the mixing of pixels leave."""
    got, own = frame.measurement, unmixed(frame).measurement.axis_ratio
    if got.eccentricity is None or own is None:
        return None
    left_open = max((got.eccentricity_err or 0.0) - USUAL_ERROR, 0.0)
    return max(sqrt(max(1 - own**2, 0.0)) - left_open, 0.0)


def _is_trail(frame: Frame, policy: Policy) -> bool:
    """Tell whether stars are so long one way that their profile says nothing of the focus."""
    found = one_way(frame, policy)
    return found is not None and found.grade is Grade.REJECT
