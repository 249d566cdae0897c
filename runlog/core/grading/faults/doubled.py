"""Doubled: every star twice at the same offset. Wind, a knock, a mirror that shifted."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, Explains, FaultKind, Rule
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.faults.trailed import TRAILED, WIDTH_AND_PROFILE
from runlog.core.grading.policy import Limit, Setting

SHARE = Setting(
    "doubled_share",
    Limit(0.12, 0.12),
    "A second image beside every star is never wanted: the share of stars that have one.",
)


def _doubled(this: ComparedFrame) -> Iterator[Check]:
    share, apart = this.frame.measurement.doubled_share, this.frame.measurement.doubled_px
    if share is None or apart is None:
        return
    text = f"{share:.0%} of the bright stars stand twice, {apart:.0f} px apart"
    yield DOUBLED.against(this, SHARE, share, "share of stars that stand twice", text)


DOUBLED = FaultKind(
    FaultName.DOUBLED,
    rules=(Rule(_doubled, alone=True),),
    settings=(SHARE,),
    explains=(
        Explains((TRAILED, *WIDTH_AND_PROFILE), "two images side by side look stretched and wide"),
        Explains((CLOUD,), "each of the two images has only a part of the light", rank=3),
    ),
)
