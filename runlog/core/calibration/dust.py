"""What the shadows of dust say of flats: whether they fit the lights, and whether dust moved."""

from dataclasses import dataclass

from runlog.core.calibration import shadow_words as say
from runlog.core.calibration.judged import UNKNOWN_SHADOWS

# Shadows that fit give 1; of two pictures that have nothing in common, 0.
GONE_SHARE, SURE = 0.5, 4.0  # below so much, and so many errors below 1
WORST_ERROR = 0.2
FLATS_SHARE = 0.8  # flats are all but free of noise

Said = tuple[str, str]  # a code, and the sentence


@dataclass(frozen=True, slots=True)
class Shadows:
    """How much of one picture's shadows is on another: 1 all of it, 0 nothing."""

    depth: float  # mean, as a share of the light
    pixels: int
    share: float
    error: float  # what chance gives where there are none


def against_lights(found: Shadows | None, night: str) -> Said | None:
    """Judge flats by how much of their shadows is on the lights of a night; None if all is well."""
    if found is None:
        return UNKNOWN_SHADOWS, say.unknown(say.NO_DUST)
    if found.error > WORST_ERROR:
        return UNKNOWN_SHADOWS, say.unknown(say.NOISY)
    if _falls_short(found, GONE_SHARE):
        words = say.not_in_lights(found.depth, found.share, found.error, night)
        return "other-dust", words
    return None


def against_flats(found: Shadows | None, night: str) -> Said | None:
    """Judge flats by how much of the shadows of a night's flats before is on them."""
    if found is None or found.error > WORST_ERROR or not _falls_short(found, FLATS_SHARE):
        return None
    return "dust-moved", say.moved_since(found.depth, found.share, night)


def _falls_short(found: Shadows, share: float) -> bool:
    return found.share < share and 1 - found.share > SURE * found.error
