"""What happened on the mount and in the schedule, in words; focus and sky have modules."""

from datetime import datetime

from runlog.core.columns import hours, plural
from runlog.core.frame import FaultName
from runlog.core.times import clock, zone_label

STARS = {FaultName.TRAILED: "trailed stars", FaultName.DOUBLED: "doubled stars"}


def trailing(fault: FaultName, evidence: str, after: str | None) -> str:
    """Tell a stretch of trailed or doubled stars, and what it began after."""
    began = f"; it began right after {after}" if after else ""
    return f"{STARS[fault]}: {evidence}{began}"


def flip(idle_s: float, before: str | None, after: str | None) -> str:
    """Tell a meridian flip, and the sides of the pier where they are known."""
    sides = f": pier side {before} to {after}" if before and after else ""
    return f"meridian flip{sides}, {hours(idle_s)} idle"


def jump(size_px: float, width_px: int, back: bool) -> str:
    """Tell that the field moved at once, and whether that undid an earlier jump."""
    size = f"{size_px:.0f} px ({size_px / width_px:.0%} of its width)"
    return (
        f"the field went back by {size}" if back else f"the field jumped by {size} and stayed there"
    )


def drift(px_per_hour: float) -> str:
    """Tell a steady drift."""
    return f"the field drifted steadily, {px_per_hour:.0f} px an hour"


def no_dither(step_px: float, moves: int, steps: int) -> str:
    """Tell that all frames lie on the same pixels, or as good as all."""
    seldom = f", and moved on only {plural(moves, 'time')} in {steps}" if moves else ""
    return (
        f"no dithering: from frame to frame the field moved {step_px:.1f} px{seldom}; hot pixels "
        "and pattern noise will not average out"
    )


def wind(
    frames: int, spells: int, start: datetime, end: datetime, spread_deg: float, evidence: str
) -> str:
    """Tell gusts of wind: stars stretched, each time another way."""
    span = f"between {clock(start)} and {clock(end)}{zone_label(start, end)}"
    gusts = f"{number(spells)} gusts"
    if spells < frames:
        often = f" in {spells} spells" if spells > 1 else ""
        gusts = f"wind on {plural(frames, 'frame')}{often}"
    return (
        f"{gusts} {span}: stars stretched, the direction changing by up to {spread_deg:.0f} "
        f"degrees from its middle; at worst {evidence}"
    )


def turned(deg: float, at: datetime) -> str:
    """Tell a camera that turned between two frames."""
    when = f"{abs(deg):.1f} degrees at {clock(at)}{zone_label(at)}"
    return f"the camera turned by {when}: flats of before do not fit"


def turned_since(deg: float, night: str) -> str:
    """Tell a camera that was turned since an earlier night."""
    return (
        f"the camera stands turned by {abs(deg):.1f} degrees since the night of {night}: flats of "
        "before do not fit"
    )


def field_rotation(deg: float, hours_: float) -> str:
    """Tell a field that turned slowly."""
    return (
        f"the field turned slowly, by {abs(deg):.1f} degrees in {hours_:.1f} h: field rotation, as "
        "a polar axis that is off makes it"
    )


NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
           "eleven", "twelve")  # fmt: skip


def number(count: int) -> str:
    """Write a small number as a word."""
    return NUMBERS[count] if count < len(NUMBERS) else str(count)
