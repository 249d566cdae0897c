"""Soft: wider stars whose profile kept its shape. Poor seeing, or wider than a person wants."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.against_nights import against_width, flatter_than_before
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.faults.defocused import PROFILE_CHANGE, profile_changed
from runlog.core.grading.physics import WIDEST_SKY, check_of, disc, too_wide
from runlog.core.grading.policy import Limit, Setting
from runlog.core.grading.width import EARLIER_NIGHTS, against_run, sure_width

RATIO = Setting(
    "soft_ratio",
    Limit(1.45, 2.2),
    "Seeing wanders by 30 % on an ordinary night and is nobody's fault.",
)
WIDEST_PX: Setting[Limit | None] = Setting(
    "widest_fwhm_px", None, "Widest stars you will keep, in pixels; used only where set."
)
WIDEST_ARCSEC: Setting[Limit | None] = Setting(
    "widest_fwhm_arcsec",
    None,
    "Widest stars you will keep, in seconds of arc; used only where set.",
)


def _against_run(this: ComparedFrame) -> Iterator[Check]:
    if not profile_changed(this):
        yield from against_run(this, SOFT, RATIO, "the profile kept its shape")


def _against_nights(this: ComparedFrame) -> Iterator[Check]:
    if not flatter_than_before(this, this.policy[PROFILE_CHANGE]):
        yield from against_width(this, SOFT, EARLIER_NIGHTS, "")


def _too_wide(this: ComparedFrame) -> Iterator[Check]:
    """Absolute limits on the width, where somebody set them."""
    width, scale = sure_width(this.frame), this.frame.header.arcsec_per_px
    if width is not None:
        yield from _absolute(this, WIDEST_PX, width, "px")
    if width is not None and scale is not None:
        yield from _absolute(this, WIDEST_ARCSEC, width * scale, "″")


def _absolute(
    this: ComparedFrame, setting: Setting[Limit | None], value: float, unit: str
) -> Iterator[Check]:
    text = f"FWHM {value:.1f} {unit}, your limit is {{limit:.1f}}"
    return SOFT.against_own(this, setting, value, f"FWHM in {unit}", text)


def _wider_than_sky(this: ComparedFrame) -> Iterator[Check]:
    """Look at the width by itself; where stars are discs or rings, that says it better."""
    found, flat = too_wide(this.frame, this.policy), disc(this.frame, this.policy)
    if found is not None and (flat is None or flat.grade is Grade.KEEP):
        yield check_of(found, SOFT, this)


SOFT = FaultKind(
    FaultName.SOFT,
    rules=(
        Rule(_against_run),
        Rule(_against_nights, Turn.NIGHTS, alone=True),
        Rule(_wider_than_sky, Turn.NIGHTS),
        Rule(_too_wide, Turn.NIGHTS),
    ),
    settings=(RATIO, EARLIER_NIGHTS, WIDEST_SKY, WIDEST_PX, WIDEST_ARCSEC),
)
