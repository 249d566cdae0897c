"""Focus and optics in words."""

from collections.abc import Sequence
from datetime import datetime

from runlog.core.columns import hours
from runlog.core.story.phrases.common import not_kept, of_frames
from runlog.core.times import clock, zone_label

FOCUS_CHECK = "that a focus run follows a fall of 1 to 2 C, and that the focuser does not slip"
OFFSET_CHECK = "the focus offset of each filter, by a focus run in each"
OPTICS_CHECK = "the adapter and the spacing of the corrector"
MOST_SINGLE = 3  # frames told with their time
NO_CORNERS = "too few clean frames have stars in every part of the field"


def out_of_focus(lost_s: float) -> str:
    """Say what frames are, and what they cost."""
    return f"out of focus{not_kept(lost_s)}"


def refocused_at(times: Sequence[datetime]) -> str:
    """Say when focus runs brought the stars back."""
    return f"; refocused at {' and '.join(map(clock, times))}{zone_label(*times)}" if times else ""


def by_itself(times: Sequence[datetime]) -> str:
    """Say when single frames were out of focus."""
    if not times:
        return ""
    if len(times) > MOST_SINGLE:
        return f"; {len(times)} of them by themselves"
    what = "itself" if len(times) == 1 else "themselves"
    return f"; by {what} at {' and '.join(map(clock, times))}{zone_label(*times)}"


def flat(profile: float) -> str:
    """Say that stars are flatter than in focus, but not plainly discs."""
    return (
        f"the stars are flatter than focus makes them (half-flux radius over FWHM {profile:.2f}, "
        "in focus 0.52 and more), but no discs: perhaps a little out of focus"
    )


def too_wide(frames: int, of: int) -> str:
    """Say that stars are wider than the sky alone can make them."""
    return (
        f"the stars of {of_frames(frames, of, 'are wider than any sky makes them')}: focus, "
        "optics or fog, unknown which"
    )


def wide_filter(name: str, times: float, best: str) -> str:
    """Say that a filter's stars are wide and out of focus against another's."""
    return f"{name} is {times:.1f} times as wide as {best}, and its stars have another profile"


def field_shape(tilt: float, curvature: float) -> str:
    """Say how the width of stars changes over the field."""
    return (
        f"width changes by {tilt:.0%} across the field, corners {curvature:+.0%} against the centre"
    )


def drift(evidence: str, from_c: float | None, to_c: float | None) -> str:
    """Tell a stretch out of focus; and the focuser's temperature, where it is given."""
    cooled = "" if from_c is None or to_c is None else _cooled(from_c, to_c)
    return f"out of focus: {evidence}{cooled}"


def _cooled(from_c: float, to_c: float) -> str:
    how = "cooled" if to_c < from_c else "warmed"
    return f"; the focuser {how} from {from_c:.1f} to {to_c:.1f} C meanwhile"


def refocused(how: str, from_px: float, to_px: float) -> str:
    """Tell what brought the stars back into focus."""
    return f"refocused: {how} and FWHM fell from {from_px:.1f} to {to_px:.1f} px"


def focuser_moved(start: float, end: float) -> str:
    """Say that the focuser moved."""
    return f"the focuser moved from {start:.0f} to {end:.0f}"


def long_break(longer_s: float) -> str:
    """Say that there was time for a focus run."""
    return f"there was a break {hours(longer_s)} longer than usual"
