"""Satellite and aircraft trails: long, thin, straight light across the frame."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.frame import Streak
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import binned, smoothed
from runlog.measure.stars import smoothed_noise

COARSE_PX = 700  # the frame is looked at with its longer side about this many blocks long
LIT_SIGMA = 3.5
CELL = 28  # blocks
ERASE_PX = 40  # how far from a trail its light is looked for
ERASE_NOISE = 0.3  # of a pixel's noise, on average along the trail
BEYOND_PX = 40.0  # ends are known to some ten pixels
SHORTEST_PIECE = 10.0  # blocks
SHORTEST_SHARE = 0.25  # of the frame's shorter side
FULLEST_GAP = 0.45  # share of the trail that may be dark (a tumbling or flashing one)
MOST_STREAKS = 20
MOST_REFITS = 12
WIDEST = 2.2  # blocks, rms across
LEAST_STRETCH = 14.0  # long over short variance of a piece


@dataclass(frozen=True, slots=True)
class Line:
    """A straight segment in blocks: middle, direction, reach to either side."""

    y: float
    x: float
    dy: float
    dx: float
    low: float
    high: float
    rms: float

    @property
    def length(self) -> float:
        return self.high - self.low


def find_streaks(light: F32) -> tuple[Streak, ...]:
    """
    Find trails longer than a quarter of the frame's shorter side.

    A coarse, smoothed copy is cut at 3.5 sigma; its connected pieces that are long and thin
    are joined along straight lines; a line is a trail when it is long, thin, filled, and not
    the spikes of a bright star or a column of the sensor.
    """
    factor = int(np.clip(round(max(light.shape) / COARSE_PX), 1, 16))
    coarse = binned(light, factor)
    if min(coarse.shape) < 24:
        return ()
    noise = smoothed_noise(coarse)
    soft = smoothed(coarse)
    if noise <= 0:
        return ()
    y, x, piece = lit_pieces(soft, LIT_SIGMA * noise)
    lines = join(y, x, piece, min(soft.shape))
    good = [line for line in lines if is_trail(line, soft, noise, factor)]
    return tuple(in_pixels(line, factor) for line in good[:MOST_STREAKS])


def lit_pieces(soft: F32, threshold: float) -> tuple[F64, F64, I64]:
    """Coordinates and piece number of the pixels in long, thin connected pieces."""
    labels, count = ndimage.label(soft > threshold, structure=np.ones((3, 3)))
    flat = np.flatnonzero(labels)
    row, column = np.divmod(flat, soft.shape[1])
    # cut into cells, so that trails that cross or touch a star are judged piece by piece
    cell = (row // CELL) * (soft.shape[1] // CELL + 1) + column // CELL
    each = labels.ravel()[flat].astype(np.int64) + cell * (count + 1)
    number = np.unique(each, return_inverse=True)[1].ravel()
    y, x = row.astype(float), column.astype(float)
    keep = stretched(y, x, number, int(number.max(initial=0)) + 1)[number]
    return y[keep], x[keep], number[keep]


def stretched(y: F64, x: F64, number: I64, count: int) -> Mask:
    """Which pieces are long and thin, by their second moments."""
    size = np.maximum(np.bincount(number, minlength=count), 1)
    my, mx = (np.bincount(number, part, count) / size for part in (y, x))
    yy = np.bincount(number, y * y, count) / size - my**2
    xx = np.bincount(number, x * x, count) / size - mx**2
    xy = np.bincount(number, x * y, count) / size - mx * my
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    long, short = middle + half, np.maximum(middle - half, 0.1)
    return np.asarray((np.sqrt(12 * long) >= SHORTEST_PIECE) & (long > LEAST_STRETCH * short))


def join(y: F64, x: F64, piece: I64, side: int) -> list[Line]:
    """Join pieces along straight lines, the largest piece first."""
    free = np.ones(len(y), bool)
    lines: list[Line] = []
    sizes = np.bincount(piece) if len(piece) else np.zeros(0, int)
    for number in np.argsort(-sizes, kind="stable"):
        own = free & (piece == number)
        if sizes[number] < SHORTEST_PIECE or np.count_nonzero(own) < SHORTEST_PIECE:
            continue
        line = straight(y[own], x[own])
        reached = 0
        for _ in range(MOST_REFITS):
            near = free & (np.abs(across(line, y, x)) < 2.5)
            if np.count_nonzero(near) <= max(3, reached):
                break
            reached = int(np.count_nonzero(near))
            line = straight(y[near], x[near])
        free &= np.abs(across(line, y, x)) >= 4
        if line.length >= SHORTEST_SHARE * side:
            lines.append(line)
        if len(lines) >= 2 * MOST_STREAKS:
            break
    return lines


def straight(y: F64, x: F64) -> Line:
    """Least-squares line through points (distances across it), with its extent."""
    my, mx = float(y.mean()), float(x.mean())
    cov = np.cov(np.stack([y - my, x - mx])) if len(y) > 1 else np.eye(2)
    dy, dx = (float(part) for part in np.linalg.eigh(cov)[1][:, 1])
    along = (y - my) * dy + (x - mx) * dx
    off = (x - mx) * dy - (y - my) * dx
    low, high = (float(end) for end in (along.min(), along.max()))
    return Line(my, mx, dy, dx, low, high, float(np.sqrt(np.mean(off**2))))


def across(line: Line, y: F64, x: F64) -> F64:
    """Signed distance of points from a line, in blocks."""
    return np.asarray((x - line.x) * line.dy - (y - line.y) * line.dx)


def is_trail(line: Line, soft: F32, noise: float, factor: int) -> bool:
    """Whether a line is filled along its length, thin, and made by nothing nearer home."""
    if line.rms > WIDEST or along_axis(line, factor):
        return False
    profile = brightness_along(line, soft, 0.0)
    beside = np.maximum(brightness_along(line, soft, 5.0), brightness_along(line, soft, -5.0))
    lit = (profile > 2.0 * noise) & (profile > beside + 1.5 * noise)
    if np.mean(lit) < 1 - FULLEST_GAP:
        return False
    return not is_spike(profile, noise)


def along_axis(line: Line, factor: int) -> bool:
    """Whether the line keeps to one row or column of the sensor: a defect, not the sky."""
    drift = min(abs(line.dy), abs(line.dx)) * line.length * factor
    return drift < max(2.0, 0.4 * factor) and line.rms < 0.9


def brightness_along(line: Line, soft: F32, offset: float) -> F64:
    """Smoothed light at every block along the line, shifted sideways by an offset."""
    t = np.arange(line.low, line.high + 1)
    y = line.y + t * line.dy - offset * line.dx
    x = line.x + t * line.dx + offset * line.dy
    return np.asarray(ndimage.map_coordinates(soft, [y, x], order=1, mode="nearest"), float)


def is_spike(profile: F64, noise: float) -> bool:
    """Whether the light falls off both ways from a bright star on the line."""
    top = int(np.argmax(profile))
    if profile[top] < 60 * noise:
        return False
    share = top / max(len(profile) - 1, 1)
    if not 0.1 < share < 0.9:
        return False
    reach = max(4, len(profile) // 4)
    near = profile[max(0, top - reach) : top + reach + 1]
    ends = np.concatenate([profile[: len(profile) // 8 + 1], profile[-(len(profile) // 8 + 1) :]])
    return bool(np.median(ends) < 0.35 * np.median(near))


def in_pixels(line: Line, factor: int) -> Streak:
    """Ends of the line in frame pixels; smoothing took one block off each side."""

    def pixel(value: float) -> float:
        return round((value + 1) * factor + (factor - 1) / 2, 1)

    return Streak(
        pixel(line.x + line.low * line.dx), pixel(line.y + line.low * line.dy),
        pixel(line.x + line.high * line.dx), pixel(line.y + line.high * line.dy),
    )  # fmt: skip


def erase(light: F32, streaks: tuple[Streak, ...], noise_adu: float) -> None:
    """Blank trails in place, so that their light is not taken for stars.

    Each is blanked as far from its line as its mean light is seen above the noise.
    """
    for streak in streaks:
        y0, x0, y1, x1 = streak.y0, streak.x0, streak.y1, streak.x1
        length = max(float(np.hypot(y1 - y0, x1 - x0)), 1.0)
        dy, dx = (y1 - y0) / length, (x1 - x0) / length
        half = half_width(light, streak, dy, dx, noise_adu)
        rows = np.arange(light.shape[0])[:, None] - y0
        columns = np.arange(light.shape[1])[None, :] - x0
        off = np.abs(columns * dy - rows * dx)
        along = rows * dy + columns * dx
        light[(off <= half) & (along > -BEYOND_PX) & (along < length + BEYOND_PX)] = 0


def half_width(light: F32, streak: Streak, dy: float, dx: float, noise_adu: float) -> float:
    """Distance from a trail's line at which its median light is lost in the noise."""
    share = np.linspace(0.02, 0.98, 400)
    y = streak.y0 + share * (streak.y1 - streak.y0)
    x = streak.x0 + share * (streak.x1 - streak.x0)
    offsets = np.arange(-ERASE_PX, ERASE_PX + 1)
    where = [y + offsets[:, None] * -dx, x + offsets[:, None] * dy]
    cut = ndimage.map_coordinates(light, where, order=0, mode="nearest")
    seen = np.abs(offsets[np.median(cut, axis=1) > ERASE_NOISE * noise_adu])
    return float(seen.max(initial=2)) + 2.0
