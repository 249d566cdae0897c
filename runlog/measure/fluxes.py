"""Positions and total fluxes of the brightest stars."""

import numpy as np
from photutils.geometry import circular_overlap_grid
from scipy.spatial import cKDTree

from runlog.core.frame import StarList
from runlog.measure.pixels import F32, F64, Mask
from runlog.measure.shape import Growth
from runlog.measure.stars import ring_level, stamps

LISTED_STARS = 200
APERTURE_HFR = 2.2  # aperture radius in half-flux radii: the same share of the light everywhere
SMALLEST_APERTURE_PX = 3.0
RING_HFR = 6.0


def list_stars(
    light: F32, x: F64, y: F64, growth: Growth, window_px: float | None = None
) -> StarList:
    """
    Measure the brightest stars in circular apertures scaled to the frame's star.

    Fluxes are sums with exact pixel overlap (photutils), less the local sky, divided by the
    share of a star's light the aperture holds: total fluxes, comparable between frames of
    different focus and seeing.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray, shape (n,)
        Rough positions, brightest peak first.
    growth : Growth
        The frame's curve of growth.
    window_px : float, optional
        Half-flux radius of what is centred on, where that is not the whole star.
    """
    x, y = x[: LISTED_STARS * 3 // 2], y[: LISTED_STARS * 3 // 2]
    if len(x) == 0:
        return StarList()
    hfr = growth.half_flux_radius_px
    radius = max(SMALLEST_APERTURE_PX, APERTURE_HFR * hfr)
    window = window_px or hfr
    cx, cy = centred(light, x, y, window)
    flux = aperture_fluxes(light, cx, cy, radius, RING_HFR * hfr + 3)
    flux /= max(growth.within(radius), 0.3)
    order = np.argsort(-flux, kind="stable")
    order = order[flux[order] > 0]
    order = order[listed_once(cx[order], cy[order], max(1.0, 0.5 * window))][:LISTED_STARS]
    return StarList(
        tuple(np.round(cx[order], 3).tolist()),
        tuple(np.round(cy[order], 3).tolist()),
        tuple(float(f"{value:.6g}") for value in flux[order]),
    )


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


def aperture_fluxes(light: F32, x: F64, y: F64, radius_px: float, ring_px: float) -> F64:
    """Sums within circles, exact at their rims, less the median light of a ring outside."""
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    half = int(np.ceil(radius_px)) + 1
    cut = stamps(light, row, column, half).astype(float)
    around = ring_level(light, row, column, ring_px)
    size = 2 * half + 1
    flux = np.empty(len(x))
    for k, (dx, dy) in enumerate(zip(x - column, y - row, strict=True)):
        edge = half + 0.5
        inside = circular_overlap_grid(
            -edge - dx, edge - dx, -edge - dy, edge - dy, size, size, radius_px, 1, 1
        )
        flux[k] = np.sum(inside * (cut[k] - around[k]))
    return flux
