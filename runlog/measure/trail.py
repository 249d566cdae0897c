"""A trail on the full-size frame: its line and ends fitted, its light taken out."""

import numpy as np
from scipy import ndimage

from runlog.core.frame import Streak
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import CHUNK_PX, F32, F64

ROUNDS = 3  # of fitting the line: each looks nearer to it
PIECES = 24  # of the line whose middles are fitted
SAMPLES = 16  # along a piece
LEAVES_PX = 12.0  # an end this near to the frame's edge is the edge's
CORE = 0.6  # of the trail's width: how far from the line its light is summed
BESIDE = (2.0, 3.5)  # widths: where the sky beside it is taken
SKY_STRETCH = 41  # px along the trail over which that sky is steady
ERASE_PX = 40  # how far from a trail its light is looked for
ERASE_NOISE = 0.3  # of a pixel's noise, on average along the trail
BEYOND_WIDTHS = 1.5  # of what is blanked: how far an end's own light goes


def fitted(light: F32, rough: Streak, reach_px: float) -> Streak:
    """
    Fit a trail's line to its light, and its ends to where the light stops.

    The line goes through the middles of the light across it, piece by piece; each end is the
    place that parts the light along the line best into a lit and a dark stretch. A trail that
    leaves the frame ends at the frame's edge.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    rough : Streak
        What the coarse look found.
    reach_px : float
        How far from its line the light may be.

    Returns
    -------
    Streak
        Ends in px.
    """
    line, width = rough, reach_px
    for _ in range(ROUNDS):
        line, width = straightened(light, line, max(3.0, min(reach_px, 2.5 * width)))
    return with_ends(light, line, width)


def frame_of(line: Streak) -> tuple[float, float, float]:
    """
    Length of a line and its direction (along y, along x).

    Parameters
    ----------
    line : Streak
        Ends in px.

    Returns
    -------
    length : float
        px, at least 1.
    dy, dx : float
        No unit.
    """
    length = max(float(np.hypot(line.y1 - line.y0, line.x1 - line.x0)), 1.0)
    return length, (line.y1 - line.y0) / length, (line.x1 - line.x0) / length


def across(light: F32, line: Streak, along: F64, offsets: F64) -> F64:
    """
    Light at distances along a line and sideways from it.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        ADU.
    line : Streak
        Ends in px.
    along : ndarray, shape (n,)
        Distances from its first end, px.
    offsets : ndarray, shape (m,)
        Distances to its side, px.

    Returns
    -------
    ndarray, shape (n, m)
        ADU, linear between pixels.
    """
    _, dy, dx = frame_of(line)
    y = line.y0 + along[:, None] * dy + offsets * dx
    x = line.x0 + along[:, None] * dx - offsets * dy
    return np.asarray(ndimage.map_coordinates(light, [y, x], order=1, mode="nearest"), float)


def straightened(light: F32, line: Streak, reach_px: float) -> tuple[Streak, float]:
    """Move a line's ends sideways onto the light's middle; give the light's width too."""
    length, dy, dx = frame_of(line)
    offsets = np.arange(-np.ceil(reach_px), np.ceil(reach_px) + 1)
    along = np.linspace(0.02, 0.98, PIECES * SAMPLES) * length
    cut = across(light, line, along, offsets)
    pieces = np.median(cut.reshape(PIECES, SAMPLES, -1), axis=1)
    pieces = np.maximum(pieces - np.percentile(pieces, 20, axis=1, keepdims=True), 0)
    typical = np.median(pieces, axis=0)
    weight = pieces * (pieces > 0.3 * typical.max())
    total = weight.sum(axis=1)
    known = total > 0.2 * np.median(total)
    if np.count_nonzero(known) < 4:
        return line, reach_px
    at = along.reshape(PIECES, -1).mean(axis=1)[known]
    middle = (weight[known] @ offsets) / total[known]
    start, end = robust_line(at, middle, length)
    width = float(np.count_nonzero(typical > typical.max() / 2))
    moved = Streak(line.x0 - start * dy, line.y0 + start * dx,
                   line.x1 - end * dy, line.y1 + end * dx)  # fmt: skip
    return moved, max(width, 1.5)


def robust_line(at: F64, value: F64, length: float) -> tuple[float, float]:
    """Values at 0 and at the length of a straight line through points, strays left out."""
    keep = np.ones(len(at), bool)
    slope, level = 0.0, 0.0
    for _ in range(4):
        slope, level = np.polyfit(at[keep], value[keep], 1)
        off = np.abs(value - level - slope * at)
        keep = off <= 3 * MAD_TO_SIGMA * np.median(off) + 0.05
    return float(level), float(level + slope * length)


def with_ends(light: F32, line: Streak, width_px: float) -> Streak:
    """Move a line's ends along it to where its light stops, at most to the frame's edges."""
    length, dy, dx = frame_of(line)
    first, last = inside(line, light.shape)
    along = np.arange(first, last + 0.5)
    profile = net_profile(light, line, along, width_px)
    lit = (along > 0) & (along < length)
    level = float(np.median(profile[lit])) if lit.any() else 0.0
    if level <= 0:
        return rounded(line)
    over = np.clip(profile, -level, level) - level / 2  # a star on the line counts no more
    # a line fitted to light at one end only may have its middle outside the frame
    half = int(np.clip(np.searchsorted(along, length / 2), 1, len(along) - 1))
    stop = along[half + int(np.argmax(np.cumsum(over[half:])))]
    start = along[half - 1 - int(np.argmax(np.cumsum(over[:half][::-1])))]
    stop = last if last - stop < LEAVES_PX else stop
    start = first if start - first < LEAVES_PX else start
    return rounded(Streak(line.x0 + start * dx, line.y0 + start * dy,
                          line.x0 + stop * dx, line.y0 + stop * dy))  # fmt: skip


def net_profile(light: F32, line: Streak, along: F64, width_px: float) -> F64:
    """Light of the line's core at each place along it, less that of both sides."""
    core = np.arange(-np.floor(CORE * width_px), np.floor(CORE * width_px) + 1)
    aside = np.linspace(BESIDE[0] * width_px, BESIDE[1] * width_px + 1, 5)
    sides = [np.median(across(light, line, along, side), axis=1) for side in (-aside, aside)]
    # the fainter side: the other may hold a star, or lie beyond the frame's edge
    sky = np.minimum(*(ndimage.median_filter(side, SKY_STRETCH, mode="nearest") for side in sides))
    return np.asarray(np.mean(across(light, line, along, core), axis=1) - sky)


def inside(line: Streak, shape: tuple[int, ...]) -> tuple[float, float]:
    """Distances along a line, from its first end, at which it enters and leaves the frame."""
    _, dy, dx = frame_of(line)
    first, last = -np.inf, np.inf
    for start, step, size in ((line.y0, dy, shape[0]), (line.x0, dx, shape[1])):
        if abs(step) > 1e-9:
            low, high = sorted(((-start) / step, (size - 1 - start) / step))
            first, last = max(first, low), min(last, high)
    return float(first), float(last)


def rounded(line: Streak) -> Streak:
    """Ends to a tenth of a pixel."""
    return Streak(*(round(float(v), 1) for v in (line.x0, line.y0, line.x1, line.y1)))


def erase(light: F32, streaks: tuple[Streak, ...], noise_adu: float) -> None:
    """
    Blank trails in place, so that their light is not taken for stars.

    Each is blanked as far from its line as its mean light is seen above the noise.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU; changed.
    streaks : tuple of Streak
        Ends in px.
    noise_adu : float
        Noise of a pixel.
    """
    for streak in streaks:
        half = half_width(light, streak, noise_adu)
        reach = (1 + BEYOND_WIDTHS) * half
        top, bottom = span(streak.y0, streak.y1, reach, light.shape[0])
        left, right = span(streak.x0, streak.x1, reach, light.shape[1])
        rows = max(1, CHUNK_PX // max(1, right - left))
        for start in range(top, bottom, rows):
            stop = min(bottom, start + rows)
            blank(light[start:stop, left:right], streak, half, start, left)


def span(one: float, other: float, reach: float, size: int) -> tuple[int, int]:
    """Range of rows, or columns, between two places and a reach beyond, inside the frame."""
    low, high = min(one, other) - reach, max(one, other) + reach
    return int(np.clip(low, 0, size)), int(np.clip(high + 2, 0, size))


def blank(part: F32, streak: Streak, half_px: float, first_row: int, first_column: int) -> None:
    """Blank what a trail covers of a part of a frame."""
    length, dy, dx = frame_of(streak)
    y = np.arange(first_row, first_row + part.shape[0])[:, None] - streak.y0
    x = np.arange(first_column, first_column + part.shape[1])[None, :] - streak.x0
    beyond = BEYOND_WIDTHS * half_px
    covered = np.abs(x * dy - y * dx) <= half_px
    if covered.any():
        along = y * dy + x * dx
        part[covered & (along > -beyond) & (along < length + beyond)] = 0


def half_width(light: F32, streak: Streak, noise_adu: float) -> float:
    """Distance from a trail's line at which its median light is lost in the noise."""
    length, _, _ = frame_of(streak)
    offsets = np.arange(-ERASE_PX, ERASE_PX + 1.0)
    cut = across(light, streak, np.linspace(0.02, 0.98, 400) * length, offsets)
    seen = np.abs(offsets[np.median(cut, axis=0) > ERASE_NOISE * noise_adu])
    return float(seen.max(initial=2)) + 2.0
