"""Tracking and pointing in words."""

from collections.abc import Sequence

from runlog.core.columns import plural
from runlog.core.story.phrases.common import not_kept

TRACKING_CHECK = "balance, cables that drag, and the guiding; then wind"
OPTICS_TOO_CHECK = (
    "the collimation, should the stars stay long in one direction when guiding is fine"
)
EVENT_CHECKS = {
    "jump": "cables over the whole swing of the mount, and the clutches",
    "drift": "the polar alignment, and what bends between guiding and telescope",
    "no-dither": "that dithering is switched on",
    "turned": "the camera's clamp and the rotator; then take new flats",
}
EVENT_WORDS = {
    "drift": "the field drifts",
    "no-dither": "no dithering",
    "turned": "the camera turned",
}
WIND_CHECK = "shelter from the wind, and what sways in it: dew shield, cables, tripod"
MIRROR_CHECK = (
    "the mirror, whether it shifts as the telescope changes sides, and the mount: its clutches and "
    "backlash, and a wait after the flip until it rests"
)
OFF_TARGET_CHECK = "the plate solving, and the target's coordinates in the plan"
ELSEWHERE_CHECK = (
    "whether these places were meant: one of its own should have a name of its own, and a rig "
    "that went astray shows in the headers' coordinates"
)
TOO_FEW_PLACED = "too few frames could be laid on one another"
ELONGATED = ": the stars of most of the run are elongated, by tracking or by optics"


def trailed(names: Sequence[str], lost_s: float) -> str:
    """Say what frames are that the mount spoiled, and what they cost."""
    return f"{' or '.join(names)}{not_kept(lost_s)}"


def median_eccentricity(value: float) -> str:
    """Say how long the run's stars usually are."""
    return f"; median eccentricity {value:.2f}"


def longest(frames: int, eccentricity: float) -> str:
    """Say how long the stars are in frames that nothing else is compared with."""
    return f"; {'' if frames == 1 else 'the highest '}eccentricity {eccentricity:.2f}"


def aligned(share: float) -> str:
    """Say how far long stars share a direction."""
    return f", {share:.0%} of it in one direction"


NOT_ONE_WAY = ": long stars, but not all one way"
TRACKING_OR_OPTICS = ": tracking or optics, unknown which"


def right_after(frames: int, what: str) -> str:
    """Say that trailed frames came right after something."""
    return f", {frames} of them right after {what}"


def settle_check(what: str) -> str:
    """Say what to check where frames trail right after something."""
    return f"that guiding has settled after {what} before the shutter opens"


def jumps(count: int) -> str:
    """Count jumps of the field."""
    return plural(count, "jump")


def off_target(frames: int, lost_s: float) -> str:
    """Say how many frames do not show their target."""
    return f"{plural(frames, 'frame')} off target{not_kept(lost_s)}"


def on_target(frames: int) -> str:
    """Say that frames were where they should be."""
    return f"{plural(frames, 'frame')} on target"


def dithered(px: float, every: int | None, regular: bool) -> str:
    """Say how far frames were dithered, and how often, where that is known."""
    if every is None:
        return f", dithered by {px:.0f} px"
    often = ORDINALS.get(every, f"{every}th")
    about = "" if regular else "about "
    return f", dithered {about}each {often + ' ' if often else ''}frame by {px:.0f} px"


ORDINALS = {1: "", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh",
            8: "eighth", 9: "ninth", 10: "tenth"}  # fmt: skip


def blown(frames: int) -> str:
    """Say how many of the trailed frames wind took: each another way."""
    return f"; wind on {plural(frames, 'frame')}: each stretched another way"


def another_field(frames: int, target: str, this_night_alone: bool) -> str:
    """Say that frames show another field than the one most taken under their name."""
    which = ", which no other night shows" if this_night_alone else ""
    return (
        f"{_frames_of(frames, target)} show{'s' * (frames == 1)} another field than the one most "
        f"taken under that name{which}"
    )


def matches_none(frames: int, target: str) -> str:
    """Say that frames with stars match none of their name."""
    return f"the stars of {_frames_of(frames, target)} match none of its other frames"


def _frames_of(frames: int, target: str) -> str:
    return f"{plural(frames, 'frame')} of {target}" if target else plural(frames, "frame")
