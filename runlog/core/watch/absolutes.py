"""What spoils a frame whatever its run and other nights look like."""

from collections.abc import Iterator

from runlog.core.frame import Fault, FaultName, Frame, Grade
from runlog.core.grading.baseline import ELONGATED, profile
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.faults.few_stars import LEAST, NO_STARS_FROM, is_wide
from runlog.core.grading.faults.readout import READOUT
from runlog.core.grading.faults.trailed import shows_lines
from runlog.core.grading.physics import disc, sure_eccentricity

# A trail of more than one and a half star widths (see LONGEST in grading.physics), so much in one
# direction: no optics do that (common practice, no source).
TRAIL, IN_ONE_DIRECTION = 0.75, 0.8
# Half-flux radius over FWHM: a Moffat of beta 10, flatter than any sky makes stars, has 0.53, the
# air alone 0.57 (Kolmogorov), real frames in focus 0.56 to 0.63. In focus at 0.60 to 0.63, stars
# this flat are 1.4 to 1.5 times as wide as in focus (see `course.STEEPER`), and most runs that
# begin out of focus are further out: they are taken for rejects until a sharper frame tells.
FLAT = 0.53
IN_FOCUS = "0.56 to 0.63"
FLAT_PICTURE = 0.49  # a mean picture of few stars reads up to 8 % flatter than the model
FLAT_FROM_PX, FLAT_STARS = 2.5, 20  # narrower, the pixel takes part in it; of fewer, chance does


def absolute_faults(this: ComparedFrame) -> tuple[Fault, ...]:
    """List what a frame is rejected for though nothing compares with it."""
    return (*_readout(this), *_trail(this), *_no_stars(this), *_discs(this), *_flat(this))


def too_flat(frame: Frame) -> bool:
    """Tell whether stars are flatter than sky and optics in focus make them."""
    got, flat = frame.measurement, profile(frame)
    if flat is None or got.doubled_share is not None or (got.eccentricity or 0.0) >= ELONGATED:
        return False
    enough = (got.fwhm_px or 0.0) >= FLAT_FROM_PX and (got.stars or 0) >= FLAT_STARS
    return enough and flat <= (FLAT_PICTURE if got.width_from == "moments" else FLAT)


def flat_fault(frame: Frame) -> Fault:
    """Say that stars are out of focus by their profile alone."""
    flat = f"half-flux radius over FWHM {profile(frame) or 0.0:.2f}, in focus {IN_FOCUS}"
    text = f"out of focus by the stars' shape ({flat}), unless this rig's are always so flat"
    text += "; no sharper frame tells by how much"
    return Fault(FaultName.DEFOCUSED, Grade.REJECT, text)


def _readout(this: ComparedFrame) -> Iterator[Fault]:
    for rule in READOUT.rules:
        if rule.alone:
            yield from (c.as_fault() for c in rule.ask(this) if c.grade is Grade.REJECT)


def _trail(this: ComparedFrame) -> Iterator[Fault]:
    got, long = this.frame.measurement, sure_eccentricity(this.frame)
    if long is None or got.alignment is None or shows_lines(this):
        return
    if long >= TRAIL and got.alignment >= IN_ONE_DIRECTION:
        text = f"eccentricity {got.eccentricity:.2f}, {got.alignment:.0%} of it in one direction"
        yield Fault(FaultName.TRAILED, Grade.REJECT, text)


def _no_stars(this: ComparedFrame) -> Iterator[Fault]:
    stars = this.frame.measurement.stars or 0
    if stars < this.policy[LEAST] and is_wide(this.frame):
        found = f"only {stars} star{'s' * (stars != 1)}" if stars else "no stars"
        text = f"{found} found ({NO_STARS_FROM}, unknown which)"
        yield Fault(FaultName.FEW_STARS, Grade.REJECT, text)


def _flat(this: ComparedFrame) -> Iterator[Fault]:
    if too_flat(this.frame) and not any(_discs(this)):
        yield flat_fault(this.frame)


def _discs(this: ComparedFrame) -> Iterator[Fault]:
    found = disc(this.frame, this.policy)
    if found is not None and found.grade is Grade.REJECT:
        yield Fault(FaultName.DEFOCUSED, Grade.REJECT, found.evidence)
