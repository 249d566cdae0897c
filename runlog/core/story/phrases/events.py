"""What happened on the mount and in the schedule, in words; focus and sky have modules."""

from runlog.core.columns import hours
from runlog.core.frame import FaultName

STARS = {FaultName.TRAILED: "trailed stars", FaultName.DOUBLED: "doubled stars"}


def trailing(fault: FaultName, evidence: str, after: str | None) -> str:
    """Tell a stretch of trailed or doubled stars, and what it began after."""
    began = f"; it began right after {after}" if after else ""
    return f"{STARS[fault]}: {evidence}{began}"


def flip(idle_s: float, before: str | None, after: str | None) -> str:
    """Tell a meridian flip, and the sides of the pier where they are known."""
    sides = f": pier side {before} to {after}" if before and after else ""
    return f"meridian flip{sides}, {hours(idle_s)} idle"


def pause(seconds: float) -> str:
    """Tell a pause."""
    return f"pause: no light frame for {hours(seconds)}"


def jump(size_px: float, width_px: int, back: bool) -> str:
    """Tell that the field moved at once, and whether that undid an earlier jump."""
    size = f"{size_px:.0f} px ({size_px / width_px:.0%} of its width)"
    return (
        f"the field went back by {size}" if back else f"the field jumped by {size} and stayed there"
    )


def drift(px_per_hour: float) -> str:
    """Tell a steady drift."""
    return f"the field drifted steadily, {px_per_hour:.0f} px an hour"


def no_dither(step_px: float) -> str:
    """Tell that all frames lie on the same pixels."""
    return (
        f"no dithering: from frame to frame the field moved {step_px:.1f} px; hot pixels and "
        "pattern noise will not average out"
    )
