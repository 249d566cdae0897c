"""Satellite and aircraft trails: long, thin, straight light across the frame."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.frame import Streak
from runlog.measure.origin import Origin, origin_of
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import Residual, binned, smoothed
from runlog.measure.stars import smoothed_noise
from runlog.measure.tails import Tail, tails_among
from runlog.measure.trail import fitted, frame_of

COARSE_PX = 700  # the frame is looked at with its longer side about this many blocks long
CELL = 28  # blocks
SHORTEST_PIECE = 10.0  # blocks
SHORTEST_SHARE = 0.25  # of the frame's shorter side
LEAST_LEFT = 0.6  # of that, once its ends are fitted
SAME_PX, SAME_SHARE = 30.0, 0.03  # how far apart two finds of one trail lie, of its length
ONE_PX = 5.0  # the same, of two lines fitted to the light
MOST_STREAKS = 20
MOST_REFITS = 12
WIDEST = 2.2  # blocks, rms across
LEAST_STRETCH = 14.0  # long over short variance of a piece


@dataclass(frozen=True, slots=True)
class Look:
    """One scale at which trails are looked for."""

    bin: int  # blocks of the look before, each way
    lit_sigma: float
    fullest_gap: float  # share of the trail that may be dark (a tumbling or flashing one)
    steady: float  # of the typical light that the faintest fifth keeps; stars in a row do not


FINE = Look(1, 3.5, 0.45, 0.0)
WIDE = Look(3, 8.0, 0.15, 0.3)
# A bright trail, cut low, is one thick piece: it is cut higher until it is thin.
BRIGHT = tuple(Look(1, sigma, 0.15, 0.3) for sigma in (60.0, 400.0, 2500.0))


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


@dataclass(frozen=True, slots=True)
class Lines:
    """Straight lines of light of a frame."""

    streaks: tuple[Streak, ...] = ()  # drawn across the sky
    others: tuple[Streak, ...] = ()  # of stars and of the sensor: no trails, and no stars either


def find_lines(residual: Residual, noise_adu: float) -> Lines:
    """
    Find lines of light longer than a quarter of the frame's shorter side, trails and others.

    A coarse, smoothed copy is cut at a few sigma; its connected pieces that are long and thin
    are joined along straight lines; a line is a trail when it is long, thin, filled, and not
    made by a star, an edge or the sensor. Bright trails under wide stars are not thin on blocks
    that fit narrow ones: a second look takes blocks three times as large, the others cut higher.

    Parameters
    ----------
    residual : Residual
        The frame less its sky, ADU, and where it is full.
    noise_adu : float
        Noise of a pixel.

    Returns
    -------
    Lines
        Ends in px.
    """
    light = residual.light
    factor = int(np.clip(round(max(light.shape) / COARSE_PX), 1, 16))
    coarse = binned(light, factor)
    found: list[tuple[Origin, Streak]] = []
    tails: list[Tail] = []
    for look in (FINE, WIDE, *BRIGHT):
        coarse = binned(coarse, look.bin)
        factor *= look.bin
        lines, tails = trails(coarse, look, residual, factor, noise_adu, tails)
        rough = [in_pixels(line, factor) for line in lines]
        new = [line for line in rough if not any(same(line, known) for _, known in found)]
        for line in new[:MOST_STREAKS]:
            line = fitted(light, line, 4.0 * factor + 4)
            if not long_enough(line, light) or any(lies_on(line, known) for _, known in found):
                continue
            origin = origin_of(light, line, residual.full_y, residual.full_x, noise_adu)
            found.append((origin, line))
    others = [line for origin, line in found if origin in (Origin.STAR, Origin.SENSOR)]
    others += [line for line in map(Tail.streak, tails) if long_enough(line, light)]
    return Lines(
        tuple(line for origin, line in found if origin is Origin.SKY)[:MOST_STREAKS],
        tuple(others),
    )


def long_enough(line: Streak, light: F32) -> bool:
    """Whether a fitted line is long enough for a trail."""
    return bool(frame_of(line)[0] >= LEAST_LEFT * SHORTEST_SHARE * min(light.shape))


def trails(
    coarse: F32, look: Look, residual: Residual, factor: int, noise_adu: float, tails: list[Tail]
) -> tuple[list[Line], list[Tail]]:
    """Find trails on one coarse copy, and tails of stars besides those known, that are none."""
    if min(coarse.shape) < 24:
        return [], tails
    noise = smoothed_noise(coarse)
    if noise <= 0:
        return [], tails
    soft = smoothed(coarse)
    y, x, piece = lit_pieces(soft, look.lit_sigma * noise)
    # before pieces are joined: the tails of stars in nearly one row make a line of any slant
    of_tail, tails = tails_among(residual, y, x, piece, factor, noise_adu, tails)
    lines = join(y[~of_tail], x[~of_tail], piece[~of_tail], min(soft.shape))
    return [line for line in lines if is_trail(line, soft, noise, look)], tails


def same(one: Streak, other: Streak) -> bool:
    """Whether a streak lies along another one."""
    return off_line(one, other) < max(SAME_PX, SAME_SHARE * frame_of(other)[0])


def lies_on(one: Streak, other: Streak) -> bool:
    """Whether a fitted line is a part of another one: found from what was left beside it."""
    return frame_of(one)[0] <= frame_of(other)[0] and off_line(one, other) < ONE_PX


def off_line(one: Streak, other: Streak) -> float:
    """How far from another line's course the ends of one lie at most, in pixels."""
    _, dy, dx = frame_of(other)
    ends = ((one.x0, one.y0), (one.x1, one.y1))
    return max(abs((x - other.x0) * dy - (y - other.y0) * dx) for x, y in ends)


def lit_pieces(soft: F32, threshold: float) -> tuple[F64, F64, I64]:
    """Coordinates and piece number of the pixels in long, thin connected pieces."""
    labels, count = ndimage.label(soft > threshold, structure=np.ones((3, 3)))
    flat = np.flatnonzero(labels)
    row, column = np.divmod(flat, soft.shape[1])
    # cut into cells, so that trails that cross or touch a star are judged piece by piece
    down, over = (max(1, size // CELL) for size in soft.shape)
    cell = np.minimum(row // CELL, down - 1) * over + np.minimum(column // CELL, over - 1)
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


def is_trail(line: Line, soft: F32, noise: float, look: Look) -> bool:
    """Whether a line is filled along its length, thin, and made by nothing nearer home."""
    if line.rms > WIDEST:
        return False
    profile = brightness_along(line, soft, 0.0)
    beside = np.maximum(brightness_along(line, soft, 5.0), brightness_along(line, soft, -5.0))
    lit = (profile > 2.0 * noise) & (profile > beside + 1.5 * noise)
    if np.mean(lit) < 1 - look.fullest_gap:
        return False
    if np.percentile(profile - beside, 20) < look.steady * np.median(profile):
        return False
    return not is_spike(profile, noise)


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
        return (value + 1) * factor + (factor - 1) / 2

    return Streak(
        pixel(line.x + line.low * line.dx), pixel(line.y + line.low * line.dy),
        pixel(line.x + line.high * line.dx), pixel(line.y + line.high * line.dy),
    )  # fmt: skip
