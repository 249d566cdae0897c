"""Few stars: far fewer than this field gives, and nothing else found. A cap, another field."""

from collections.abc import Iterator

from runlog.core.columns import plural
from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import ENOUGH
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.policy import Limit, Sense, Setting

LEAST_SKY_PX = 200_000  # a cut-out smaller than this may hold no star under any sky
NO_STARS_FROM = "cap, cover, dome, focus or sky"
SHARE = Setting(
    "few_stars_share",
    Limit(0.3, 0.3),
    "Far fewer stars than this field gives, and nothing else found.",
    Sense.BELOW,
)
LEAST: Setting[float] = Setting(
    "few_stars_least",
    5,
    "Fewer stars than this are no field at all, whatever the run looks like.",
    Sense.BELOW,
)
FEWEST: Setting[Limit | None] = Setting(
    "fewest_stars", None, "Fewest stars you will keep; used only where set.", Sense.BELOW
)


def _few_stars(this: ComparedFrame) -> Iterator[Check]:
    stars = this.frame.measurement.stars or 0
    left = ratio(stars, this.count.stars)
    if left is not None and this.count.stars is not None:
        text = f"{plural(stars, 'star')}, this run's usual {this.count.stars:.0f}"
        yield FEW_STARS.against(this, SHARE, left, "stars left", text)


def _no_stars(this: ComparedFrame) -> Iterator[Check]:
    """Next to no stars at all, whatever the run looks like; a frame alone has nothing usual."""
    stars = this.frame.measurement.stars or 0
    company = this.run_frames >= ENOUGH or this.nights_before
    telling = (is_wide(this.frame) and company) or this.shape.frames >= ENOUGH
    grade = Grade.REJECT if stars < this.policy[LEAST] and telling else Grade.KEEP
    only = "only " if grade is Grade.REJECT else ""
    words = f"{only}{plural(stars, 'star')}" if stars else "no stars"
    yield Check(FEW_STARS, "stars", grade, f"{words} found", float(stars), setting=LEAST)
    text = f"{plural(stars, 'star')}, your limit is {{limit:.0f}}"
    yield from FEW_STARS.against_own(this, FEWEST, float(stars), "stars", text)


def is_wide(frame: Frame) -> bool:
    """Tell whether a frame shows so much sky that some stars must be in it."""
    return frame.identity.width * frame.identity.height >= LEAST_SKY_PX


FEW_STARS = FaultKind(
    FaultName.FEW_STARS,
    rules=(Rule(_few_stars, Turn.REST), Rule(_no_stars, Turn.REST, alone=True)),
    settings=(SHARE, LEAST, FEWEST),
    explained_by_any="it accounts for the missing stars",
)
