"""The sky in words."""

from collections.abc import Sequence
from datetime import datetime

from runlog.core.columns import plural
from runlog.core.grading.faults.few_stars import NO_STARS_FROM
from runlog.core.sky.horizon import sun_words
from runlog.core.story.phrases.common import not_kept, unknown
from runlog.core.times import clock, zone_label

CLOUD, CLOUD_CHECK = "cloud", "the forecast"
DEW, DEW_CHECK = "dew or fog", "the dew heater and the dew shield"
THIN_CLOUD = "thin cloud or haze"
LEVEL = "light lost at one level (dew, or something in front, unknown which)"
LEVEL_CHECK = "the dew heater, and what may have stood in front of the telescope"
OBSTRUCTION = "an obstruction"
OBSTRUCTION_CHECK = "what stands in the way there: a tree, a roof, the dome's slit"
BRIGHT_SKY = "bright sky"
BRIGHT_SKY_CHECK = "the Moon's hours, twilight and lamps against the plan"
POOR_SEEING = "poor seeing"
SEEING_CHECK = "the seeing forecast, and whether the telescope had cooled down"
NO_STARS, NO_STARS_CHECK = "next to no stars", "the cap, the cover, the dome and the focus"
CLEAR = "under cloud, bright sky or poor seeing"


def spoiled(troubles: Sequence[str]) -> str:
    """List what spoiled the sky of frames."""
    return f"spoiled: {'; '.join(troubles)}" if troubles else CLEAR


def trouble(
    name: str, spells: int, start: datetime, end: datetime, frames: int, lost_s: float
) -> str:
    """Say when one kind of trouble was there, on how many frames, and what it cost."""
    often = f"in {spells} spells " if spells > 1 else ""
    words = f"{name} {often}{clock(start)}–{clock(end)}{zone_label(start, end)}"
    return f"{words} ({plural(frames, 'frame')}{not_kept(lost_s)})"


def at_worst(evidence: str) -> str:
    """Say how bad a trouble was."""
    return f", at worst {evidence}"


def next_to_no_stars(frames: int) -> str:
    """Say that a run shows nothing to judge the sky by, and what may stand before it."""
    every = "both" if frames == 2 else f"all {frames}"
    which = "the only frame shows" if frames == 1 else f"{every} frames show"
    return f"{which} next to no stars: {NO_STARS_FROM}, unknown which"


def not_compared(blind: int, frames: int) -> str:
    """Say of how many frames nothing tells what cloud and haze took."""
    return f"the light of {blind} of {plural(frames, 'frame')} could not be compared"


def also_not_compared(blind: int, frames: int) -> str:
    """Say it beside what the other frames show."""
    return f"; {not_compared(blind, frames)}"


def matches_nothing(blind: int, frames: int) -> str:
    """Say why the light of frames was compared with nothing."""
    return f"{not_compared(blind, frames)}: their stars match no other frame's"


def this_night_alone(frames: int) -> str:
    """Say whose light is compared within this run alone, though its name has other nights."""
    return (
        f"; the light of {plural(frames, 'frame')} is relative to this night: no other shows "
        "their field"
    )


NO_CLEAR_NIGHT = "there is no clear night to compare with: no other night shows this field"


def no_clear_night(frames: int) -> str:
    """Say it of some of the frames."""
    return f"for {plural(frames, 'frame')} {NO_CLEAR_NIGHT}"


def always_empty(side: str, left: float) -> str:
    """Say that one side of the frame shows few stars all through the night."""
    return (
        f"all through the night {side} shows {left:.0%} of the stars of the third opposite, by the "
        "field itself, by something in front or by the optics"
    )


def unknown_but(why: str, within: str) -> str:
    """Say why a sky without trouble is not known to be good, and what is known of it."""
    return f"{unknown(why)}; within this night {within}"


def also_unknown(why: str) -> str:
    """Say beside what is known what is not."""
    return f"; how clear it was at best is unknown, because {why}"


def thin_spell(start: datetime, end: datetime, frames: int, least: float, most: float) -> str:
    """Say when thin cloud took light from frames that it did not cost."""
    when = f"{clock(start)}–{clock(end)}{zone_label(start, end)}"
    return f"; {THIN_CLOUD} took {_of_light(least, most)} {when} ({plural(frames, 'frame')})"


def _of_light(least: float, most: float) -> str:
    low, high = f"{100 * least:.0f}", f"{100 * most:.0f}"
    return f"{high} % of the light" if low == high else f"{low} to {high} % of the light"


def moon_in_doubt(doubt: str) -> str:
    """Say that nothing is known of the Moon."""
    return f"; whether the Moon was up is {doubt}"


def moon_all_night(highest_deg: float) -> str:
    """Say where moonlight hides: a run with no moonless frame cannot show a darker sky."""
    return (
        f"; the Moon was up all the time, {highest_deg:.0f} degrees at most: this run cannot show "
        "how dark the sky is without it"
    )


# --- events ---------------------------------------------------------------------------------


def cloud(evidence: str) -> str:
    """Tell a passage of cloud."""
    return f"{CLOUD}: {evidence}"


def light_left(least: float) -> str:
    """Say how little light came through at the worst."""
    return f"down to {least:.0%} of the light of the best frame"


def thin_cloud(least: float, most: float) -> str:
    """Tell hours of thin cloud that cost no frame."""
    return f"{THIN_CLOUD} took {_of_light(least, most)}, too little to cost a frame"


def dew(evidence: str) -> str:
    """Tell of halos that grow."""
    return f"{DEW}: {evidence}"


def obstruction(sides: Sequence[str], airmasses: Sequence[float], evidence: str) -> str:
    """Tell of hours in which something stood in front, on which side, and how low that was."""
    where = f" of {' and '.join(sides)}" if sides else ""
    low = ""
    if airmasses:
        first, last = f"{airmasses[0]:.2f}", f"{airmasses[-1]:.2f}"
        low = f", at airmass {first}" if first == last else f", from airmass {first} to {last}"
    return f"something stood in front{where}{low}: at worst {evidence}"


def moon(rises: bool) -> str:
    """Tell a moonrise or moonset."""
    return f"the Moon {'rose' if rises else 'set'}"


def daylight(highest_deg: float) -> str:
    """Tell of lights with the Sun up."""
    return f"daylight by the clock and place in the headers: {sun_words(highest_deg)} at most"


def dusk(sun_deg: float) -> str:
    """Tell of lights in the evening's twilight."""
    return f"evening twilight: {sun_words(sun_deg)} at the first frame"


def dawn(sun_deg: float) -> str:
    """Tell of lights in the morning's twilight."""
    return f"dawn: {sun_words(sun_deg)} at the last frame"
