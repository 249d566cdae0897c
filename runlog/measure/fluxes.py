"""Positions and total fluxes of the brightest stars."""

from dataclasses import dataclass

import numpy as np
from photutils.geometry import circular_overlap_grid
from scipy.spatial import cKDTree

from runlog.core.frame import RANK, StarList
from runlog.core.medians import median_of_rows
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import binned
from runlog.measure.shape import Growth
from runlog.measure.stars import stamps

LISTED_STARS = 200
FINEST_HFR_PX = 2.0  # half-flux radius that wide stars are binned down to
# radii in half-flux radii: the same share of the light in every frame
CORE_HFR, SMALLEST_CORE_PX = 1.6, 2.0  # where a faint star stands out best
WHOLE_HFR, SMALLEST_WHOLE_PX = 3.0, 3.5  # where little is left outside to be wrong about
RING_HFR, RING_APART_PX = (5.0, 8.0), (2.0, 3.0)
NOISE_STEP = 8  # every such pixel of all rings tells the noise well enough
LEAST_SHARE = 0.3  # of the light inside an aperture, whatever the curve of growth says
GROWTH_DOUBT = 0.01  # of the light outside the core over that inside, as the model has it
OWN_GROWTH = 0.03  # by which a star's own differs: the PSF changes over the field
ALIKE_GROWTH, ALIKE_SIGMA = 0.01, 2.0  # stars that tell the frame's: no neighbour's light
NEIGHBOUR_SIGMA = 3.0  # beyond which the light outside the core is somebody else's


def list_stars(
    light: F32, x: F64, y: F64, growth: Growth, window_px: float | None = None
) -> StarList:
    """
    Measure positions and total fluxes of the brightest stars.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray, shape (n,)
        Rough positions, brightest peak first, px.
    growth : Growth
        The frame's curve of growth.
    window_px : float, optional
        Half-flux radius of what is centred on, where that is not the whole star.

    Returns
    -------
    StarList
        At most `LISTED_STARS`, brightest first: centres in px, total fluxes in ADU.

    References
    ----------
    Fluxes from a small circle and the curve of growth: Howell 1989, PASP 101, 616 (from memory);
    what a star's own profile adds is weighed in `total_fluxes`.
    """
    x, y = x[: LISTED_STARS * 3 // 2], y[: LISTED_STARS * 3 // 2]
    if len(x) == 0:
        return StarList()
    window = window_px or growth.half_flux_radius_px
    block = max(1, int(min(window, growth.half_flux_radius_px) / FINEST_HFR_PX))
    coarse, middle = binned(light, block), (block - 1) / 2
    cx, cy = centred(coarse, (x - middle) / block, (y - middle) / block, window / block)
    flux = total_fluxes(coarse, cx, cy, growth, block)
    cx, cy = cx * block + middle, cy * block + middle
    order = np.argsort(-flux, kind="stable")
    order = order[flux[order] > 0]
    order = order[listed_once(cx[order], cy[order], max(1.0, 0.5 * window))][:LISTED_STARS]
    return StarList(
        tuple(np.round(cx[order], 3).tolist()),
        tuple(np.round(cy[order], 3).tolist()),
        tuple(float(f"{value:.6g}") for value in flux[order]),
    )


def median_peak(light: F32, stars: StarList, hfr_px: float | None) -> float | None:
    """
    Median height of the brightest stars' highest pixels.

    Always of as many stars, so that a frame which shows fewer does not seem to have higher peaks.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    stars : StarList
        The frame's stars, brightest first, in pixels.
    hfr_px : float or None
        Their half-flux radius: a star's highest pixel is looked for so far around its centre.

    Returns
    -------
    float or None
        ADU above the sky; None with fewer than `RANK` stars. What clips shows where it clips.
    """
    if hfr_px is None or len(stars.x) < RANK:
        return None
    radius = max(1, round(hfr_px))
    x, y = (np.rint(at[:RANK]).astype(np.int64) for at in (stars.x, stars.y))
    axis = np.arange(-radius, radius + 1)
    inside = axis[:, None] ** 2 + axis**2 <= radius**2 + 1
    return float(np.median(stamps(light, y, x, radius)[:, inside].max(axis=1)))


def listed_once(x: F64, y: F64, reach_px: float) -> Mask:
    """Which stars, brightest first, are not the same place as a brighter one."""
    first = np.ones(len(x), bool)
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(reach_px, output_type="ndarray")
    if len(pairs):
        first[pairs.max(axis=1)] = False
    return first


def centred(light: F32, x: F64, y: F64, hfr_px: float) -> tuple[F64, F64]:
    """Centroids under a Gaussian window of the star's own size, moved along with the star."""
    sigma = max(0.85 * hfr_px, 0.8)
    radius = int(np.ceil(2.5 * sigma)) + 1
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    cut = stamps(light, row, column, radius).astype(float)
    axis = np.arange(-radius, radius + 1.0)
    dx, dy = x - column, y - row
    for _ in range(6):
        wx = np.exp(-((axis - dx[:, None]) ** 2) / (2 * sigma**2))
        wy = np.exp(-((axis - dy[:, None]) ** 2) / (2 * sigma**2))
        seen = cut * wy[:, :, None] * wx[:, None, :]
        total = np.maximum(seen.sum(axis=(1, 2)), 1e-30)
        # the window halves the step for a star of its own size; doubling it converges at once
        dx = dx + np.clip(2 * (seen.sum(axis=1) @ axis / total - dx), -1, 1)
        dy = dy + np.clip(2 * (seen.sum(axis=2) @ axis / total - dy), -1, 1)
    dx, dy = np.clip(dx, -radius / 2, radius / 2), np.clip(dy, -radius / 2, radius / 2)
    return column + dx, row + dy


@dataclass(frozen=True, slots=True)
class Apertures:
    """Two circles around a star and a ring of sky, and the star's light each of them holds."""

    core_px: float
    whole_px: float
    ring_px: tuple[float, float]
    core_share: float  # of the star's light, less the wings that count as sky
    whole_share: float

    @property
    def outside_px2(self) -> float:
        """Area between the two circles."""
        return float(np.pi * (self.whole_px**2 - self.core_px**2))

    @property
    def outside_over_core(self) -> float:
        """Light between the circles over that in the core."""
        return self.whole_share / self.core_share - 1


def apertures_of(growth: Growth, block: int) -> Apertures:
    """Circles and ring scaled to the frame's star, in pixels of block x block frame pixels."""
    hfr = growth.half_flux_radius_px / block
    core, whole = max(SMALLEST_CORE_PX, CORE_HFR * hfr), max(SMALLEST_WHOLE_PX, WHOLE_HFR * hfr)
    inner, outer = (a * hfr + b for a, b in zip(RING_HFR, RING_APART_PX, strict=True))
    wings = growth.within(outer * block) - growth.within(inner * block)
    wings_px2 = wings / (outer**2 - inner**2)
    shares = [max(held(growth, r, block) - wings_px2 * r**2, LEAST_SHARE) for r in (core, whole)]
    return Apertures(core, whole, (inner, outer), shares[0], max(shares))


def held(growth: Growth, radius_px: float, block: int) -> float:
    """
    Share of a star's light in a circle that counts the pixels on its rim by area.

    That takes light for even within a pixel, which blurs it again, as summing blocks of frame
    pixels does: by (2 - 1/block^2)/12 px^2 each way in all. To second order the share G then
    grows by half that variance times G'' - G'/r, the surface brightness being G'/(2 pi r).
    """
    inside, at, beyond = (growth.within((radius_px + step) * block) for step in (-1, 0, 1))
    curve = (beyond - 2 * at + inside) - (beyond - inside) / 2 / radius_px
    return at + (2 - 1 / block**2) / 24 * curve


def total_fluxes(light: F32, x: F64, y: F64, growth: Growth, block: int = 1) -> F64:
    """
    Measure total fluxes, in the units of the light, comparable between frames of any focus.

    A large circle holds nearly all of a star whatever its profile, and much sky noise with it; a
    small one the other way round. So the core is summed, and the light between the two circles is
    the frame's usual share of the core, moved towards the star's own as far as its noise lets that
    be told (the posterior mean of a normal quantity measured with normal noise). What a
    neighbour adds there is left out.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame.
    x, y : ndarray, shape (n,)
        Centres in pixels of the light.
    growth : Growth
        The frame's curve of growth, in frame pixels.
    block : int
        Frame pixels summed in a pixel of the light, each way.
    """
    circles = apertures_of(growth, block)
    level, noise = ring_light(light, x, y, circles.ring_px)
    core, whole = circle_sums(light, x, y, level, (circles.core_px, circles.whole_px))
    outside = whole - core
    variance = noise**2 * circles.outside_px2
    usual = usual_growth(core, outside, variance, circles.outside_over_core)
    own = (OWN_GROWTH * core) ** 2
    off = outside - usual * core
    gain = own / np.maximum(own + variance, 1e-30)
    gain[off**2 > NEIGHBOUR_SIGMA**2 * (own + variance)] = 0
    return np.asarray((core * (1 + usual) + gain * off) / circles.whole_share)


def usual_growth(core: F64, outside: F64, variance: float, modelled: float) -> float:
    """Light outside the core over that inside: the model's, corrected by the bright stars."""
    bright = core > 0
    ratio = outside[bright] / core[bright]
    scatter = variance / core[bright] ** 2 + ALIKE_GROWTH**2
    usual = modelled
    for _ in range(6):
        weight = ((ratio - usual) ** 2 < ALIKE_SIGMA**2 * scatter) / scatter
        prior = 1 / GROWTH_DOUBT**2
        usual = float((prior * modelled + weight @ ratio) / (prior + weight.sum()))
    return usual


def ring_light(light: F32, x: F64, y: F64, ring_px: tuple[float, float]) -> tuple[F64, float]:
    """Median light of all pixels in a ring around each position, and the noise of a pixel."""
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    dx, dy = ring_offsets(*ring_px)
    rows = np.clip(row[:, None] + dy, 0, light.shape[0] - 1)
    columns = np.clip(column[:, None] + dx, 0, light.shape[1] - 1)
    pixels = np.take(light.ravel(), rows * light.shape[1] + columns)
    level = median_of_rows(pixels)[:, None]
    noise = MAD_TO_SIGMA * float(median_of_rows(np.abs(pixels[:, ::NOISE_STEP] - level).ravel()))
    return level[:, 0].astype(float), noise


def ring_offsets(inner_px: float, outer_px: float) -> tuple[I64, I64]:
    """Pixels (dx, dy) between two radii."""
    reach = int(outer_px) + 1
    axis = np.arange(-reach, reach + 1)
    dy, dx = np.meshgrid(axis, axis, indexing="ij")
    away = np.hypot(dx, dy)
    inside = (away >= inner_px) & (away < outer_px)
    return dx[inside], dy[inside]


def circle_sums(light: F32, x: F64, y: F64, level: F64, radii_px: tuple[float, ...]) -> F64:
    """Light above a level within circles, exact at their rims (photutils); (radii, stars)."""
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    half = int(np.ceil(max(radii_px))) + 1
    cut = stamps(light, row, column, half) - level[:, None, None]
    size, edge = 2 * half + 1, half + 0.5
    sums = np.empty((len(radii_px), len(x)))
    for k, (dx, dy) in enumerate(zip(x - column, y - row, strict=True)):
        bounds = (-edge - dx, edge - dx, -edge - dy, edge - dy)
        for which, radius in enumerate(radii_px):
            inside = circular_overlap_grid(*bounds, size, size, radius, 1, 1)
            sums[which, k] = np.sum(inside * cut[k])
    return sums
