"""Where a line of light comes from: across the sky, an edge, the sensor itself, or a star."""

from enum import Enum
from itertools import pairwise

import numpy as np

from runlog.core.frame import Streak
from runlog.measure.lines import SensorLine, extent, is_sensors
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.trail import across, frame_of

SAMPLES = 600  # along a line
REACH_PX = 64  # to either side, scaled with the tile the sky was taken from
EDGE_SHARE = 0.3  # of the line's height: how far below the sky an edge's dark side lies
EDGE_ERRORS = 5.0
PEAK_PX = 8  # how far from its fitted line an edge's ridge may peak
FLANK = (0.8, 0.3)  # of the height: between which a flank is measured
GENTLE_PX, GENTLE_RATIO = 7, 2.5  # a flank that a line of light has on neither side
STRAIGHT_PX = 3.0  # drift over its length of a line that may keep to its columns
SMEAR_PX = 1.5  # the same, of charge that was moved along them
BESIDE_PX = 1.5  # how near a line full pixels lie that made it
STAR_PX = 15  # about an end where the star that made it may stand
LEAST_FULL = 3
FADES, FADES_SLANT = 1.25, 3.0  # light near the star over light far from it
STAR_OVER_NEAR, STAR_OVER_SLANT = 2.0, 10.0  # of the line's light near the star
BRILLIANT = 300.0  # times the line's light


class Origin(Enum):
    """What drew a line of light."""

    SKY = "sky"  # it passed over: a satellite, an aircraft, a meteor
    EDGE = "edge"  # of a shaded, masked or unlit part of the sensor
    SENSOR = "sensor"  # rows or columns at another level
    STAR = "star"  # charge smeared or spilt from a star, its spike


def origin_of(light: F32, line: Streak, full_y: I64, full_x: I64, noise_adu: float) -> Origin:
    """
    Tell what drew a line.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    line : Streak
        Fitted to the light.
    full_y, full_x : ndarray of int, shape (n,)
        Saturated pixels, px.
    noise_adu : float
        Noise of a pixel.

    Returns
    -------
    Origin
        `SKY` where nothing speaks for another.
    """
    length, dy, dx = frame_of(line)
    along = np.linspace(0.02, 0.98, int(min(SAMPLES, max(24, length)))) * length
    reach = REACH_PX * max(1.0, float(np.sqrt(light.size)) / 1400)
    offsets = np.rint(np.linspace(-reach, reach, 2 * REACH_PX + 1))
    profile = np.median(across(light, line, along, np.unique(offsets)), axis=0)
    if is_edge(profile, 1.25 * noise_adu / np.sqrt(len(along))):
        return Origin.EDGE
    drift = min(abs(dy), abs(dx)) * length
    if drift < STRAIGHT_PX and is_of_sensor(light, line, noise_adu):
        return Origin.SENSOR
    if drift < SMEAR_PX and holds_full(line, full_y, full_x):
        return Origin.STAR
    return Origin.STAR if is_of_star(light, line, straight=drift < SMEAR_PX) else Origin.SKY


def is_edge(profile: F64, error: float) -> bool:
    """
    Whether the profile across a line is that of an edge the sky's mesh could not follow.

    There the light beside it is far below the sky, or falls at once on the one side and over
    tens of pixels on the other.
    """
    middle = len(profile) // 2
    peak = middle - PEAK_PX + int(np.argmax(profile[middle - PEAK_PX : middle + PEAK_PX + 1]))
    height = float(profile[peak])
    lowest = float(np.sort(profile)[len(profile) // 16])
    if lowest < -max(EDGE_SHARE * height, EDGE_ERRORS * error):
        return True
    steep, gentle = sorted(flank(way / height) for way in (profile[peak:], profile[peak::-1]))
    return height > 0 and gentle > max(GENTLE_PX, GENTLE_RATIO * steep)


def flank(falling: F64) -> int:
    """Steps from the top of a flank to its foot, of a profile over its height at its peak."""
    below = np.flatnonzero(falling < FLANK[0])
    top = int(below[0]) if len(below) else len(falling)
    foot = np.flatnonzero(falling[top:] < FLANK[1])
    return 1 + (int(foot[0]) if len(foot) else len(falling) - top)


def is_of_sensor(light: F32, line: Streak, noise_adu: float) -> bool:
    """Whether a line keeps to its columns (or rows) with hard borders."""
    upright = abs(line.y1 - line.y0) > abs(line.x1 - line.x0)
    picture = light if upright else light.T
    ends = (line.y0, line.y1, line.x0, line.x1) if upright else (line.x0, line.x1, line.y0, line.y1)
    middle = int(np.clip(round((ends[2] + ends[3]) / 2), 0, picture.shape[1] - 1))
    start, stop = max(0, int(min(ends[:2]))), int(max(ends[:2])) + 1
    half = widest_of(picture[start:stop], middle) // 2
    return is_sensors(
        picture, SensorLine(middle - half, middle + half, start, stop), noise_adu, 1.0
    )


def widest_of(rows: F32, middle: int) -> int:
    """How many columns about a middle are as bright as half of it, typically."""
    low = max(0, middle - REACH_PX)
    profile = np.median(rows[:, low : middle + REACH_PX + 1], axis=0).astype(float)
    first, last = extent(profile, middle - low)
    return last - first


def holds_full(line: Streak, full_y: I64, full_x: I64) -> bool:
    """Whether saturated pixels lie on a line, or just before its ends."""
    length, dy, dx = frame_of(line)
    y, x = full_y - line.y0, full_x - line.x0
    along = y * dy + x * dx
    on: Mask = np.abs(x * dy - y * dx) <= BESIDE_PX
    on &= (along > -STAR_PX) & (along < length + STAR_PX)
    return int(np.count_nonzero(on)) >= LEAST_FULL


def is_of_star(light: F32, line: Streak, *, straight: bool) -> bool:
    """Whether a line fades away from a star at its end, or runs through a brilliant one."""
    length, _, _ = frame_of(line)
    along = np.arange(-STAR_PX, length + STAR_PX)
    profile = across(light, line, along, np.array([-1.0, 0.0, 1.0])).mean(axis=1)
    inside = profile[STAR_PX : len(profile) - STAR_PX]
    if straight and profile.max() > BRILLIANT * np.median(inside):
        return True
    fades, over = (FADES, STAR_OVER_NEAR) if straight else (FADES_SLANT, STAR_OVER_SLANT)
    return any(fades_away(way, fades, over) for way in (profile, profile[::-1]))


def fades_away(profile: F64, fades: float, over: float) -> bool:
    """Whether light along a line begins at a star and falls all the way."""
    star = float(profile[: 3 * STAR_PX].max())
    inside = profile[STAR_PX : len(profile) - STAR_PX]
    quarters = [float(np.median(part)) for part in np.array_split(inside, 4)]
    falling = all(a > b for a, b in pairwise(quarters))
    return falling and quarters[0] > fades * quarters[2] and star > over * quarters[0]
