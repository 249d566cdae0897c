"""What spoils a frame whatever its run and other nights look like."""

from collections.abc import Iterator

from runlog.core.frame import Fault, FaultName, Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.faults.few_stars import LEAST, NO_STARS_FROM, is_wide
from runlog.core.grading.faults.readout import READOUT
from runlog.core.grading.faults.trailed import shows_lines
from runlog.core.grading.physics import sure_eccentricity

# A trail of more than one and a half star widths (see LONGEST in grading.physics), so much in one
# direction: no optics do that (common practice, no source).
TRAIL, IN_ONE_DIRECTION = 0.75, 0.8


def absolute_faults(this: ComparedFrame) -> tuple[Fault, ...]:
    """List what a frame is rejected for though nothing compares with it."""
    return tuple([*_readout(this), *_trail(this), *_no_stars(this)])


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
