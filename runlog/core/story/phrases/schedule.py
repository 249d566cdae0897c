"""The schedule in words: how the time was used."""

from runlog.core.columns import hours, plural

CHECK = "what runs between exposures: dithers, refocus runs, waits"
NO_TIMES = "no light frame tells its time"
NO_LIGHTS = "there are no lights"
NO_LENGTHS = "no light frame tells how long it was exposed"


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
