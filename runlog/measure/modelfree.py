"""Width and shape of stars that are no Moffats: rings, discs, trails, doubles."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.measure.pixels import F32, F64, I64
from runlog.measure.residual import binned
from runlog.measure.scale import median_picture
from runlog.measure.shape import Growth, adaptive_matrix, adaptive_moments
from runlog.measure.stars import stamps

GROUPS = 6
MOST_STARS = 120
FINE = 3  # cells per pixel when areas and radii are read off a picture


@dataclass(frozen=True, slots=True)
class PictureShape:
    """What a star's picture says without a model."""

    fwhm_px: float
    e1: float
    e2: float
    growth: Growth


@dataclass(frozen=True, slots=True)
class PictureErrors:
    """Standard errors from the scatter of groups of stars; None with too few of them."""

    fwhm_px: float | None
    ellipticity: float | None


@dataclass(frozen=True, slots=True)
class MomentStars:
    """Adaptive moments of single stars."""

    size_px: F64  # fourth root of the determinant
    e1: F64
    e2: F64


def picture_shape(picture: F64) -> PictureShape:
    """Half-maximum area, curve of growth and adaptive moments of a centred picture."""
    fine = ndimage.zoom(picture, FINE, order=1, mode="nearest", grid_mode=True)
    # a plateau's highest pixel is its noisiest: take a typical one of the brightest
    top = np.sort(picture.ravel())[-max(1, min(5, picture.size // 200)) :].mean()
    area = np.count_nonzero(fine > top / 2) / FINE**2
    growth = growth_of(fine)
    axis = np.arange(picture.shape[0]) - (picture.shape[0] - 1) / 2
    e1, e2 = adaptive_moments(picture[None], axis, max(1.0, growth.half_flux_radius_px))
    return PictureShape(2 * float(np.sqrt(area / np.pi)), float(e1[0]), float(e2[0]), growth)


def growth_of(fine: F64) -> Growth:
    """Curve of growth about the light's centre, out to the circle that fits the picture."""
    size = len(fine)
    at = (np.arange(size) - (size - 1) / 2) / FINE
    keep = np.where(fine > 0.1 * fine.max(), fine, 0)
    total = max(float(keep.sum()), 1e-30)
    cy, cx = float(keep.sum(axis=1) @ at) / total, float(keep.sum(axis=0) @ at) / total
    radius = np.hypot(at[:, None] - cy, at[None, :] - cx).ravel()
    order = np.argsort(radius)
    radius, grown = radius[order], np.cumsum(fine.ravel()[order])
    inside = radius <= at[-1] - 0.5
    radius, grown = radius[inside], grown[inside]
    share = np.maximum.accumulate(np.clip(grown / max(float(grown[-1]), 1e-30), 0, 1))
    return Growth(radius, share)


def mean_shape(light: F32, x: I64, y: I64, radius: int) -> tuple[PictureShape, PictureErrors, F64]:
    """
    Shape of the stars' median picture, its errors from groups of stars, and the picture.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray of int, shape (n,)
        Middles of the stars, px.
    radius : int
        Half side of what is cut out, px.

    Returns
    -------
    PictureShape
        Width in px of the median picture.
    PictureErrors
        Standard errors; None in each where fewer than three groups of stars are there.
    ndarray, shape (2 radius + 1, 2 radius + 1)
        The picture, no unit: each star over its own central light.

    References
    ----------
    Ellipticity: Bernstein and Jarvis 2002, AJ 123, 583, by `adaptive_moments`.
    """
    cut = stamps(light, y, x, radius)
    picture = median_picture(cut)
    groups = [picture_shape(median_picture(cut[k::GROUPS])) for k in range(min(GROUPS, len(y)))]
    if len(groups) < 3:
        return picture_shape(picture), PictureErrors(None, None), picture
    table = np.array([[group.fwhm_px, group.e1, group.e2] for group in groups])
    # groups of few stars scatter like means of few: the whole is sqrt(groups) better
    errors = table.std(axis=0, ddof=1) / np.sqrt(len(groups))
    ellipticity = float(np.hypot(errors[1], errors[2]) / np.sqrt(2))
    return picture_shape(picture), PictureErrors(float(errors[0]), ellipticity), picture


def single_moments(light: F32, x: I64, y: I64, hfr_px: float) -> MomentStars:
    """
    Adaptive moments of each star, on pixels binned to a third of its half-flux radius.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray of int, shape (n,)
        Middles of the stars, px.
    hfr_px : float
        Half-flux radius of the frame's star.

    Returns
    -------
    MomentStars
        n sizes in px and ellipticity components.

    References
    ----------
    Bernstein and Jarvis 2002, AJ 123, 583, by `adaptive_matrix`.
    """
    block = max(1, int(hfr_px / 3))
    coarse = binned(light, block)
    radius = int(np.ceil(3 * hfr_px / block)) + 1
    cut = stamps(coarse, y // block, x // block, radius).astype(float)
    axis = np.arange(-radius, radius + 1.0)
    xx, yy, xy = adaptive_matrix(cut, axis, hfr_px / block, rounds=20)
    total = np.maximum(xx + yy, 1e-9)
    size = np.maximum(xx * yy - xy**2, 1e-9) ** 0.25 * block
    return MomentStars(size, (xx - yy) / total, 2 * xy / total)
