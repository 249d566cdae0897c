"""Find stars: peaks of the smoothed frame that look like the frame's own stars."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from runlog.core.medians import (
    mad_of_sorted,
    median_and_sigma,
    median_of_rows,
    middle_of_sorted,
)
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import CHUNK_PX, F32, F64, I64, Array, Mask
from runlog.measure.residual import BINOMIAL_SUM, binomial_sums, smoothed

THRESHOLD_SIGMA = 5.0
NEIGHBOURS = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]
RING = sorted(  # two circles around a peak, in px: beyond most of a star, this side of the next
    {
        (round(radius * np.sin(angle)), round(radius * np.cos(angle)))
        for radius in (4.7, 6.2)
        for angle in np.arange(0, 2 * np.pi, 2 * np.pi / 24)
    }
)
FIRST_CUT = 0.85  # of the threshold: the surroundings may be below the sky
LAG = 6  # px: beyond the reach of the kernel and of most interpolation
EDGE_PX = 2  # what smoothing and comparing with the neighbours need
SMOOTHED_SHARE = 0.375  # of white noise that the 3x3 binomial leaves: sqrt(6/16 x 6/16)


@dataclass(frozen=True, slots=True)
class Peaks:
    """Local maxima of the smoothed image, in its own pixels, brightest first."""

    y: I64
    x: I64
    height: F64  # smoothed value at the peak, local sky removed
    noise: float  # of the smoothed image, far from anything

    def __len__(self) -> int:
        return len(self.y)

    def pick(self, which: Mask | I64) -> "Peaks":
        return Peaks(self.y[which], self.x[which], self.height[which], self.noise)


def smoothed_noise(image: F32) -> float:
    """
    Robust noise of the smoothed image from a few strips (right for correlated noise too).

    Differences of pixels LAG apart: nebulosity the mesh could not follow cancels in them.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Sky-subtracted light, ADU.

    Returns
    -------
    float
        ADU, of the image after the 3x3 binomial kernel; 0 where it has none or is too narrow.

    References
    ----------
    MAD x 1.4826 is sigma of a normal distribution: Rousseeuw and Croux 1993, JASA 88, 1273 (from
    memory); of differences, sqrt(2) times that of a value.
    """
    if image.shape[1] < 2 * LAG:
        return 0.0
    strips = np.unique(np.linspace(0, max(0, image.shape[0] - 10), 16).astype(int))
    values = []
    for start in strips:
        soft = smoothed(image[start : start + 10])[::2]
        values.append((soft[:, LAG::2] - soft[:, :-LAG:2])[:, : soft.shape[1] // 2].ravel())
    live = [value for value in values if value.size and value.any()]
    return clipped_sigma(np.concatenate(live)) / float(np.sqrt(2)) if live else 0.0


def clipped_sigma(sample: F32) -> float:
    """Sigma of a sample's core: MAD x 1.4826 after two rounds of 3 sigma clipping."""
    core = np.sort(sample)
    middle, sigma = middle_of_sorted(core), mad_of_sorted(core) * MAD_TO_SIGMA
    for _ in range(2):
        first, last = np.searchsorted(core, [middle - 3 * sigma, middle + 3 * sigma])
        core = core[first:last] if sigma > 0 else core
        if core.size < 10:
            break
        # 1.4826 x MAD of a normal distribution cut at 3 sigma is low by 0.4 %
        middle, sigma = middle_of_sorted(core), 1.004 * MAD_TO_SIGMA * mad_of_sorted(core)
    return float(sigma)


def find_peaks(
    image: F32,
    sigmas: float = THRESHOLD_SIGMA,
    relative_noise: Callable[[F64, F64], F64] | None = None,
) -> Peaks:
    """
    Find local maxima of the smoothed image that stand out from their surroundings.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Sky-subtracted light, ADU.
    sigmas : float
        Least height over the surroundings, in noise of the smoothed image.
    relative_noise : callable, optional
        Takes y and x, ndarrays of shape (n,) in px; gives the noise there over the frame's,
        shape (n,), where the noise is uneven.

    Returns
    -------
    Peaks
        Brightest first, heights in ADU; none where the image has no noise.
    """
    noise = smoothed_noise(image)
    empty = np.zeros(0, np.int64)
    if min(image.shape) < 2 * EDGE_PX + 3 or noise <= 0:
        return Peaks(empty, empty, np.zeros(0), noise)
    ranges = row_ranges(image, EDGE_PX)
    size = (ranges[0][1] - ranges[0][0] + 2 * EDGE_PX) * image.shape[1]
    room = np.empty(size, np.float32), np.empty(size, np.float32)
    found = [
        peaks_of_rows(image, start, stop, FIRST_CUT * sigmas * noise, room)
        for start, stop in ranges
    ]
    y, x, height = (np.concatenate(part) for part in zip(*found, strict=True))
    local, scatter = surroundings(image, y, x)
    net = height - local
    here = noise * (1.0 if relative_noise is None else relative_noise(y, x))
    # forty pixels know their scatter to an eighth; light about a star makes them scatter more
    keep = net > sigmas * np.maximum(here, 0.85 * scatter * SMOOTHED_SHARE)
    order = np.argsort(-net[keep], kind="stable")
    return Peaks(y[keep][order], x[keep][order], net[keep][order], noise)


def row_ranges(image: F32, margin: int) -> list[tuple[int, int]]:
    """Row ranges inside a margin, small enough for the processor's cache."""
    rows = max(8, CHUNK_PX // image.shape[1])
    stops = range(margin, image.shape[0] - margin, rows)
    return [(start, min(image.shape[0] - margin, start + rows)) for start in stops]


def peaks_of_rows(
    image: F32, start: int, stop: int, threshold: float, room: tuple[F32, F32]
) -> tuple[I64, I64, F64]:
    """Local maxima of the smoothed rows start..stop above a threshold, away from the edges."""
    # rows start-1 .. stop+1, columns 1 .. w-1
    soft = binomial_sums(image[start - 2 : stop + 2], room)
    width = soft.shape[1]
    at = np.flatnonzero(soft[1:-1] > np.float32(BINOMIAL_SUM * threshold)) + width
    column = at % width
    at = at[(column >= EDGE_PX - 1) & (column < width - EDGE_PX + 1)]
    flat = soft.ravel()
    value = flat[at]
    for dy, dx in NEIGHBOURS:
        other = flat[at + dy * width + dx]
        wins = value >= other if (dy, dx) < (0, 0) else value > other
        at, value = at[wins], value[wins]
    y, x = np.divmod(at, width)
    return y + start - 1, x + 1, value.astype(float) / BINOMIAL_SUM


def surroundings(image: F32, y: I64, x: I64) -> tuple[F64, F64]:
    """Median and robust scatter of a ring of pixels around each peak."""
    offset = np.array(RING)
    rows = np.clip(y[:, None] + offset[:, 0], 0, image.shape[0] - 1)
    ring = image[rows, np.clip(x[:, None] + offset[:, 1], 0, image.shape[1] - 1)]
    middle, scatter = median_and_sigma(ring)
    return middle.astype(float), scatter.astype(float)


def ring_level(image: F32, y: I64, x: I64, radius_px: float) -> F64:
    """
    Median light of two circles of pixels around each position.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        ADU.
    y, x : ndarray of int, shape (n,)
        Positions, px.
    radius_px : float
        Of the inner circle; the outer one is 1.5 px larger.

    Returns
    -------
    ndarray, shape (n,)
        ADU.
    """
    angle = np.arange(32) * 2 * np.pi / 32
    circles = np.concatenate([radius_px * np.ones(32), (radius_px + 1.5) * np.ones(32)])
    dy = np.rint(circles * np.sin(np.tile(angle, 2))).astype(np.int64)
    dx = np.rint(circles * np.cos(np.tile(angle, 2))).astype(np.int64)
    rows = np.clip(y[:, None] + dy, 0, image.shape[0] - 1)
    columns = np.clip(x[:, None] + dx, 0, image.shape[1] - 1)
    return np.asarray(median_of_rows(image[rows, columns]), np.float64)


def stamps(image: Array, y: I64, x: I64, radius: int) -> Array:
    """
    Cut square stamps around whole-pixel positions; at the frame's edges its last pixels repeat.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Of any unit and type.
    y, x : ndarray of int, shape (n,)
        Middles, px.
    radius : int
        Half side, px, without the middle.

    Returns
    -------
    ndarray, shape (n, 2 radius + 1, 2 radius + 1)
        In the image's unit and type.
    """
    size, (height, width) = 2 * radius + 1, image.shape
    whole = (y >= radius) & (y < height - radius) & (x >= radius) & (x < width - radius)
    cut = np.empty((len(y), size, size), image.dtype)
    if whole.any():
        windows = np.lib.stride_tricks.sliding_window_view(image, (size, size))
        cut[whole] = windows[y[whole] - radius, x[whole] - radius]
    if not whole.all():
        span = np.arange(-radius, radius + 1)
        rows = np.clip(y[~whole, None] + span, 0, height - 1)
        columns = np.clip(x[~whole, None] + span, 0, width - 1)
        cut[~whole] = image[rows[:, :, None], columns[:, None, :]]
    return cut


def recentred(light: F32, x: I64, y: I64, radius: int, rounds: int = 3) -> tuple[I64, I64]:
    """
    Move whole-pixel positions (x, y) to the centre of the light within a radius.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray of int, shape (n,)
        First guesses, px.
    radius : int
        Of the circle whose light is looked at, px.
    rounds : int
        How often a position may move.

    Returns
    -------
    x, y : ndarray of int, shape (n,)
        px.
    """
    if len(x) == 0:
        return x, y
    axis = np.arange(-radius, radius + 1)
    inside = (axis[:, None] ** 2 + axis**2 <= radius**2).astype(np.float32)
    for _ in range(rounds):
        cut = stamps(light, y, x, radius)
        level = 0.1 * np.percentile(cut, 98, axis=(1, 2), keepdims=True)
        weight = np.maximum(cut - level, 0) * inside
        total = np.maximum(weight.sum(axis=(1, 2)), 1e-30)
        y = y + np.rint(weight.sum(axis=2) @ axis / total).astype(np.int64)
        x = x + np.rint(weight.sum(axis=1) @ axis / total).astype(np.int64)
    return x, y


def thin_out(peaks: Peaks, distance_px: float) -> Peaks:
    """
    Drop every peak that has a brighter one within a distance.

    Parameters
    ----------
    peaks : Peaks
        Brightest first.
    distance_px : float
        In pixels of the image they were found on.

    Returns
    -------
    Peaks
        Brightest first.
    """
    if len(peaks) < 2:
        return peaks
    tree = cKDTree(np.column_stack([peaks.y, peaks.x]))
    pairs = tree.query_pairs(distance_px, output_type="ndarray")
    lost = np.zeros(len(peaks), bool)
    if len(pairs):
        pairs.sort(axis=1)
        for brighter, fainter in pairs[np.argsort(pairs[:, 0], kind="stable")]:
            lost[fainter] |= not lost[brighter]
    return peaks.pick(~lost)
