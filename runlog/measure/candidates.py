"""Peaks on their way to being stars: where they are, what is near, which are fit to measure."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from runlog.measure.background import Sky
from runlog.measure.pixels import F32, F64, I64, Mask, Plane
from runlog.measure.residual import Residual, binned
from runlog.measure.scale import looks_like_point
from runlog.measure.screen import RADIUS, Templates, screen
from runlog.measure.stars import Peaks, find_peaks, recentred, stamps, thin_out

WIDEST_DETECTION_PX = 3.4  # a star is brought under this many detection pixels
COARSEST_BIN = 32
MOST_FITTED = 250
HOLLOW_APART = 1.4  # star widths
ALONE = 0.1  # of a peak's height: what a near neighbour may have
FEW = 10  # stars that stand alone under which blended ones are taken too,
BLENDED_IN_PLACE = 2.5  # that many times the square of how many are missing


@dataclass(frozen=True)
class Candidates:
    """Peaks of a sky-subtracted frame at one scale."""

    plane: Plane
    sky: Sky
    residual: Residual
    width_px: float  # rough full width of a star
    factor: int  # frame pixels per detection pixel, each way
    peaks: Peaks
    cut: F32  # (n, 5, 5) detection pixels around each peak

    def __len__(self) -> int:
        return len(self.peaks)

    @property
    def positions(self) -> F64:
        """Peaks in frame pixels, (x, y)."""
        middle = (self.factor - 1) / 2
        return np.column_stack(
            [self.peaks.x * self.factor + middle, self.peaks.y * self.factor + middle]
        )

    @cached_property
    def points(self) -> Mask:
        """Which peaks are hot pixels or cosmic rays: more concentrated than any star."""
        return looks_like_point(self.cut)

    def noise(self) -> F64:
        """Noise of one detection pixel at each peak, in ADU."""
        where = self.positions
        return np.asarray(self.sky.noise_at(where[:, 1], where[:, 0]) * self.factor)

    def full(self, radius_px: float) -> Mask:
        """Which peaks have a full pixel within a radius."""
        if len(self.residual.full_y) == 0:
            return np.zeros(len(self), bool)
        tree = cKDTree(np.column_stack([self.residual.full_x, self.residual.full_y]))
        distance, _ = tree.query(self.positions, distance_upper_bound=radius_px)
        return np.asarray(np.isfinite(distance))

    def stars(self, templates: Templates, full: Mask) -> Mask:
        """Which peaks look like the frame's own star, or are full stars too flat to look so."""
        return np.asarray(screen(self.cut, self.noise(), templates) | (full & ~self.points))

    def choose(self) -> I64:
        """Brightest peaks that are neither points, nor full, nor blended, nor at the edge."""
        where = self.positions
        margin = 1.5 * self.width_px + 3
        inside = (
            (where[:, 0] > margin) & (where[:, 0] < self.plane.width - margin)
            & (where[:, 1] > margin) & (where[:, 1] < self.plane.height - margin)
        )  # fmt: skip
        usable = ~self.points & inside & ~self.full(1.5 * self.width_px + 2)
        usable &= ~self.holed()
        return fewest_blended(np.flatnonzero(usable), self.blending()[usable])[:MOST_FITTED]

    def holed(self) -> Mask:
        """Which peaks miss a pixel within their half width."""
        bad = self.residual.bad
        if bad is None:
            return np.zeros(len(self), bool)
        where = np.rint(self.positions).astype(np.int64)
        radius = max(1, round(self.width_px / 2))
        return np.asarray(stamps(bad, where[:, 1], where[:, 0], radius).any(axis=(1, 2)))

    def blending(self) -> F64:
        """Height of each peak's highest near neighbour over its own; 0 where it has none."""
        ratio = np.zeros(len(self))
        pairs = cKDTree(self.positions).query_pairs(2.5 * self.width_px + 2, output_type="ndarray")
        if len(pairs):
            height = self.peaks.height
            for one, other in (pairs.T, pairs.T[::-1]):
                np.maximum.at(ratio, one, height[other] / height[one])
        return ratio


def fewest_blended(which: I64, blending: F64) -> I64:
    """
    Peaks that stand alone; the least blended besides where those are few.

    The fewer stand alone the more others are taken, one or two in place of a single one that
    is missing, so that one star less does not change what is measured.
    """
    alone = int(np.count_nonzero(blending <= ALONE))
    more = round(BLENDED_IN_PLACE * max(0, FEW - alone) ** 2)
    order = np.argsort(blending, kind="stable")
    return np.asarray(which[np.sort(order[: alone + more])])


def relative_noise(sky: Sky, factor: int) -> Callable[[F64, F64], F64]:
    """Noise of the sky at detection pixels over the frame's typical noise, 1 at least."""

    def at(y: F64, x: F64) -> F64:
        here = sky.noise_at(np.asarray(y) * factor, np.asarray(x) * factor)
        return np.asarray(np.maximum(here / sky.noise_adu, 1.0))

    return at


def detection_bin(width_px: float) -> int:
    """Block size that brings a star to between 1.7 and 3.4 detection pixels."""
    factor = 1
    while width_px / factor > WIDEST_DETECTION_PX and factor < COARSEST_BIN:
        factor *= 2
    return factor


def find_candidates(
    plane: Plane, sky: Sky, residual: Residual, width_px: float, *, hollow: bool = False
) -> Candidates:
    """
    Find the peaks of a frame at its stars' scale, close companions of brighter ones left out.

    Hollow stars (rings, doubles) peak at their rims: their peaks are moved to the middle of
    the light first, and kept further apart.

    Parameters
    ----------
    plane : Plane
    sky : Sky
        Of the plane; its noise, ADU, says what stands out.
    residual : Residual
        The plane less its sky, ADU.
    width_px : float
        Rough full width of a star; wide stars are looked for on blocks of pixels.
    hollow : bool
        Stars are rings or doubles.

    Returns
    -------
    Candidates
        Brightest first; none where nothing stands out.
    """
    factor = detection_bin(width_px)
    image = binned(residual.light, factor)
    peaks = find_peaks(image, relative_noise=relative_noise(sky, factor))
    apart = width_px / factor
    if hollow:
        x, y = recentred(image, peaks.x, peaks.y, int(np.ceil(apart)))
        peaks = Peaks(y, x, peaks.height, peaks.noise)
        apart *= HOLLOW_APART
    height, width = image.shape
    inside = (
        (peaks.y >= RADIUS) & (peaks.y < height - RADIUS)
        & (peaks.x >= RADIUS) & (peaks.x < width - RADIUS)
    )  # fmt: skip
    peaks = thin_out(peaks.pick(inside), max(2.0, apart))
    cut = stamps(image, peaks.y, peaks.x, RADIUS)
    return Candidates(plane, sky, residual, width_px, factor, peaks, cut)
