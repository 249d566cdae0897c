"""Obstructed: stars lost on one side only. A tree, a roof, the dome."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.clear_view import ACROSS, turned, view_of
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.policy import Limit, Sense, Setting

SHARE = Setting(
    "obstructed_share",
    Limit(0.6, 0.35),
    "Share of stars left in the worst third of the frame, against the rest of it.",
    Sense.BELOW,
)


def is_covered(this: ComparedFrame) -> bool:
    """Tell whether what hides much of a frame stands before the frame beside it as well."""
    view = view_of(this.frame, this.count.zone_shares)
    if not this.standing or view is None or not view.sure:
        return False
    return SHARE.grade(view.left, this.policy[SHARE]) is Grade.REJECT


def _obstructed(this: ComparedFrame) -> Iterator[Check]:
    view = view_of(this.frame, this.count.zone_shares)
    if view is not None and view.sure:
        named = ACROSS[view.side] if turned(this.frame) else view.side
        text = f"{named} has {view.left:.0%} of this run's usual share of stars, against the third "
        what = "stars left on the worst side"
        yield OBSTRUCTED.against(this, SHARE, view.left, what, text + "opposite")


def _altogether(this: ComparedFrame) -> Iterator[Check]:
    """Name the frames whose stars are all gone, beside those that are covered in part."""
    stars, usual = this.frame.measurement.stars or 0, this.count.stars
    if not this.beside_covered or not usual:
        return
    text = (
        f"{stars} star{'s' * (stars != 1)}, this run's usual {usual:.0f}, right beside frames that "
        "something covers in part"
    )
    what = "stars left beside frames covered in part"
    yield OBSTRUCTED.against(this, SHARE, stars / usual, what, text, Grade.REJECT)


OBSTRUCTED = FaultKind(
    FaultName.OBSTRUCTED,
    rules=(Rule(_obstructed), Rule(_altogether)),
    settings=(SHARE,),
    explains=(
        Explains(
            (CLOUD,),
            "what stands before the telescope dims the stars at its edge",
            only_reject=True,
            rank=2,
        ),
    ),
)
