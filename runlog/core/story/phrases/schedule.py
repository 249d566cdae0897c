"""The schedule in words: how the dark and the time between frames were used."""

from collections.abc import Sequence
from datetime import datetime

from runlog.core.columns import hours, plural
from runlog.core.frame import Kind
from runlog.core.story.phrases.common import unknown
from runlog.core.times import clock, zone_label

CHECK = "what runs between exposures: dithers, refocus runs, waits"
STOPPED_CHECK = (
    "what the rig's log says of the last frame: a flip, a limit, a lost guide star, or the plan's "
    "end"
)
SKY_CHECK = "whether the rig goes on by itself once the sky is clear"
LATE_CHECK = "what the plan waited for after dark"
NO_TIMES = "no light frame tells its time"
NO_LIGHTS = "there are no lights"
NO_LENGTHS = "no light frame tells how long it was exposed"
UNDER_CLOUD, UNDER_DEW = "under cloud", "under dew or fog"
BEHIND = "with something in front of the field"
AT_MERIDIAN = "it was at the meridian, where the mount turns over"
NO_PLACE = f"; how much of the dark was exposed is {unknown('the place is not known')}"
NEVER_DARK = "; the Sun was never 18 degrees down: there was no dark to use"


def no_pace(frames: int) -> str:
    """Say that frames are too few to speak of a usual time between two."""
    return f"{plural(frames, 'frame')} show{'s' * (frames == 1)} no pace"


def shutter_open(share: float, silent: int, between_s: float | None, paused_s: float) -> str:
    """Say how much of the time the shutter was open, and what the rest went to.

    `silent` frames give no length.
    """
    least = f", {plural(silent, 'frame')} of unknown length left out" if silent else ""
    usual = "" if between_s is None else f"; {between_s:.0f} s between exposures"
    idle = f"; paused for {hours(paused_s)}" if paused_s else ""
    return f"shutter open {share:.0%} of the time from first to last{least}{usual}{idle}"


def dark_used(used_s: float, dark_s: float) -> str:
    """Say how much of the dark was exposed."""
    return f"; {hours(used_s)} of {hours(dark_s)} of dark exposed"


def dark_in_doubt(doubt: str) -> str:
    """Say that nobody knows how much of the dark was exposed."""
    return f"; how much of the dark was exposed is {doubt}"


# --- dark left unused -----------------------------------------------------------------------


def stopped(at: datetime, unused_s: float, why: str) -> str:
    """Say that no light frame followed though it stayed dark."""
    when = f"{clock(at)}{zone_label(at)}"
    return f"the rig stopped at {when} {_and(why)}with {hours(unused_s)} of dark left"


def late_start(at: datetime, unused_s: float, why: str) -> str:
    """Say that the first frame came long after dark."""
    when = f"{clock(at)}{zone_label(at)}"
    return f"the first frame began at {when}{_comma(why)}, {hours(unused_s)} into the dark"


def _and(why: str) -> str:
    return f"{why}, " if why else ""


def _comma(why: str) -> str:
    return f", {why}" if why else ""


def with_seen(words: str, seen: Sequence[str]) -> str:
    """Add what is known beside it."""
    return f"{words}: {'; '.join(seen)}" if seen else words


def height(target: str, altitude_deg: float | None, at: datetime) -> str:
    """Say where the target stood, or that nobody knows."""
    if altitude_deg is None:
        return f"how high {_named(target)} stood at {clock(at)} is unknown, without coordinates"
    if altitude_deg < 0:
        return f"{_named(target)} was below the horizon at {clock(at)}"
    return f"{_named(target)} stood at {altitude_deg:.0f} degrees at {clock(at)}"


def rose(target: str, low_deg: float, at: datetime) -> str:
    """Say from when on the target was up."""
    return f"{_named(target)} rose past {low_deg:.0f} degrees at {clock(at)}"


def moon_set(at: datetime) -> str:
    """Say that a start came with moonset."""
    return f"about when the Moon set ({clock(at)})"


def moon_rose(at: datetime) -> str:
    """Say that an end came with moonrise."""
    return f"about when the Moon rose ({clock(at)})"


def whole_sets(frames: int) -> str:
    """Say that every filter has as many frames, as at a plan's end."""
    each = plural(frames, "frame")
    return f"each of its filters had {each}, as where a plan ends: whether it did is unknown"


def then(kinds: Sequence[tuple[int, Kind]]) -> str:
    """Say what was taken after the last light frame."""
    return f"then {', '.join(plural(n, f'{kind.value} frame') for n, kind in kinds)}"


def target_low(target: str, sank: bool, unused_s: float, height_deg: float | None) -> str:
    """Say that the target was low for a part of the dark that nothing else filled."""
    to = "" if height_deg is None else f" to {height_deg:.0f} degrees"
    if sank:
        return f"{hours(unused_s)} of dark left when {_named(target)} had sunk{to or ' low'}"
    return f"{hours(unused_s)} of dark gone before {_named(target)} had risen{to or ' high'}"


def fill_check(target: str, sank: bool) -> str:
    """Say what to look at where the target did not fill the night."""
    when = "after it has set" if sank else "before it has risen"
    return f"what else to take {when}: {_named(target)} does not fill the night"


def pause(seconds: float, turned: bool) -> str:
    """Tell a pause, and that the mount turned over in it."""
    flip = ", the meridian flip among it" if turned else ""
    return f"pause: no light frame for {hours(seconds)}{flip}"


def _named(target: str) -> str:
    return target or "the target"
