"""Tilted: width that changes across the field the whole run long. Optics, not tracking; noted."""

from collections.abc import Iterator

from runlog.core.frame import FaultName
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind, Rule, Turn
from runlog.core.grading.policy import Setting

SPAN = Setting(
    "tilted_span",
    0.15,
    "Width that changes over the field by this share of itself, in frame after frame: optics.",
)


def _tilted(this: ComparedFrame) -> Iterator[Check]:
    span, usual = this.frame.measurement.tilt, this.shape.tilt
    if span is None or usual is None:
        return
    always = min(span, usual) >= this.policy[SPAN]
    text = f"FWHM changes by {span:.0%} across the field, {this.runs_usual} {usual:.0%}"
    yield TILTED.noted("change of FWHM across the field", span, text, SPAN, when=always)


TILTED = FaultKind(FaultName.TILTED, rules=(Rule(_tilted, Turn.REST),), settings=(SPAN,))
