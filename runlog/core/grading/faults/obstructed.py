"""Obstructed: stars lost on one side only. A tree, a roof, the dome."""

from collections.abc import Iterator, Sequence
from math import comb

from runlog.core.frame import FaultName
from runlog.core.grading.baseline import turned, zones
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.policy import Limit, Sense, Setting

# The four sides of the frame as ninths, and the ninths opposite them.
SIDES = {
    "the third with the first rows": ((0, 1, 2), (6, 7, 8)),
    "the third with the last rows": ((6, 7, 8), (0, 1, 2)),
    "the left third": ((0, 3, 6), (2, 5, 8)),
    "the right third": ((2, 5, 8), (0, 3, 6)),
}
FIRST, LAST, LEFT, RIGHT = SIDES
ACROSS = {FIRST: LAST, LAST: FIRST, LEFT: RIGHT, RIGHT: LEFT}
STARS_TO_JUDGE_SIDES = 40  # with fewer a side must be emptier than chance leaves it
CHANCE = 1e-4  # of four sides in some hundred frames a night next to none is taken for covered
SHARE = Setting(
    "obstructed_share",
    Limit(0.6, 0.35),
    "Share of stars left in the worst third of the frame, against the rest of it.",
    Sense.BELOW,
)


def _obstructed(this: ComparedFrame) -> Iterator[Check]:
    counts, usual = zones(this.frame), this.count.zone_shares
    if len(counts) != 9 or not usual:
        return
    worst, side = min((_side_left(counts, usual, *SIDES[name]), name) for name in SIDES)
    if sum(counts) < STARS_TO_JUDGE_SIDES and _chance(counts, usual, *SIDES[side]) > CHANCE:
        return
    named = ACROSS[side] if turned(this.frame) else side
    text = f"{named} has {worst:.0%} of this run's usual share of stars, against the third opposite"
    yield OBSTRUCTED.against(this, SHARE, worst, "stars left on the worst side", text)


def _side_left(
    counts: Sequence[int], usual: Sequence[float], side: Sequence[int], opposite: Sequence[int]
) -> float:
    """Compare a side's stars with its opposite's, each against its usual share."""
    here = sum(counts[i] for i in side) / max(sum(usual[i] for i in side), 1e-6)
    there = sum(counts[i] for i in opposite) / max(sum(usual[i] for i in opposite), 1e-6)
    return here / there if there > 0 else 1.0


def _chance(
    counts: Sequence[int], usual: Sequence[float], side: Sequence[int], opposite: Sequence[int]
) -> float:
    """Reckon how often chance leaves a side so few of its and its opposite's stars (binomial)."""
    here, there = sum(counts[i] for i in side), sum(counts[i] for i in opposite)
    own, other = sum(usual[i] for i in side), sum(usual[i] for i in opposite)
    p, n = own / max(own + other, 1e-6), here + there
    return sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(here + 1))


OBSTRUCTED = FaultKind(
    FaultName.OBSTRUCTED,
    rules=(Rule(_obstructed),),
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
