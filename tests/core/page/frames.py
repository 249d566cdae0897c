"""Frames for pages: what a light needs to be drawn and chosen."""

from runlog.core.frame import Frame, Grade
from tests.core.runs import EVERY, START, altered, blank


def light(number: int, *, grade: Grade = Grade.KEEP, fwhm_px: float | None = 2.5) -> Frame:
    """Make one light of a night."""
    frame = blank(f"{number:032x}", START + number * EVERY, 300.0, "M 33", "L")
    return altered(frame, grade=grade, fwhm_px=fwhm_px)
