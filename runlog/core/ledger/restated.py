"""Effective hours that became others though their frames did not: what to say, and why it is so."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import fsum, log

from runlog.core.ledger.depth_reference import Reference
from runlog.core.ledger.worth import Worth

WORTH_TELLING = 0.03  # a smaller change is not told


@dataclass(frozen=True, slots=True)
class Held:
    """The kept hours of a run before and now; the frames that are kept are the same."""

    before: Worth
    now: Worth


@dataclass(frozen=True, slots=True)
class Restated:
    """Effective hours of a target and filter that are now reckoned by another reference."""

    target: str
    filter: str
    ratio: float  # now over before
    why: str

    @property
    def words(self) -> str:
        """Say it in a line."""
        change = f"{self.ratio - 1:+.0%}".replace("-", "\N{MINUS SIGN}")
        return f"effective hours of {self.target} {self.filter} restated by {change}: {self.why}"


def restated(target: str, filter_name: str, runs: Sequence[Held]) -> Restated | None:
    """Compare the same kept hours before and now; None where they changed by no more than 3 %."""
    known = [r for r in runs if r.before.effective_s and r.now.effective_s is not None]
    before_s = fsum(r.before.effective_s or 0.0 for r in known)
    if not before_s:
        return None
    ratio = fsum(r.now.effective_s or 0.0 for r in known) / before_s
    if abs(ratio - 1) <= WORTH_TELLING:
        return None
    return Restated(target, filter_name, ratio, _why(known, ratio))


def _why(runs: Iterable[Held], ratio: float) -> str:
    """Name the reference that changed most."""
    first = max(runs, key=lambda r: r.before.effective_s or 0.0)
    before, now = first.before.divisors, first.now.divisors
    if not before or not now:
        return "its references changed"
    sky = log(before[0].point.value / now[0].point.value)
    light = log(ratio) - sky
    if abs(sky) >= abs(light):
        return _moved(before[0].point, now[0].point, worse=sky > 0) + " for sky and star widths"
    return _moved(before[0].light, now[0].light, worse=light > 0) + " for the light"


def _moved(before: Reference, now: Reference, *, worse: bool) -> str:
    if now.moonless and not before.moonless:
        return "moonless nights are the reference now"
    if now.best is not None and not worse:
        return f"a better night ({now.best or 'of unknown date'}) set the reference"
    if now.best is None and before.best is not None:
        return f"the upper quartile of {now.nights} nights is the reference, no longer the best"
    if now.nights != before.nights:
        return f"{now.nights} nights set the reference, not {before.nights}"
    return "its nights set another reference"
