"""Width and shape of stars that are no Moffats: rings, discs, trails, doubles."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.measure.pixels import F32, F64, I64
from runlog.measure.scale import median_picture
from runlog.measure.shape import adaptive_moments
from runlog.measure.stars import stamps

GROUPS = 6


@dataclass(frozen=True, slots=True)
class PictureShape:
    """What a star's picture says without a model."""

    fwhm_px: float
    hfr_px: float
    e1: float
    e2: float
    peak_count: int = 1


def recentred(light: F32, y: I64, x: I64, radius: int, rounds: int = 3) -> tuple[I64, I64]:
    """Move whole-pixel positions to the centre of the light within a radius."""
    axis = np.arange(-radius, radius + 1)
    inside = (axis[:, None] ** 2 + axis**2 <= radius**2).astype(np.float32)
    for _ in range(rounds):
        cut = stamps(light, y, x, radius)
        level = 0.1 * np.percentile(cut, 98, axis=(1, 2), keepdims=True)
        weight = np.maximum(cut - level, 0) * inside
        total = np.maximum(weight.sum(axis=(1, 2)), 1e-6)
        y = y + np.rint(weight.sum(axis=2) @ axis / total).astype(np.int64)
        x = x + np.rint(weight.sum(axis=1) @ axis / total).astype(np.int64)
    return y, x


def picture_shape(picture: F64) -> PictureShape:
    """Half-maximum area, half-flux radius and adaptive moments of a centred picture."""
    size = picture.shape[0]
    fine = ndimage.zoom(picture, 3, order=1, mode="nearest", grid_mode=True)
    top = np.sort(picture.ravel())[-max(1, min(5, picture.size // 200)) :].mean()
    area = np.count_nonzero(fine > top / 2) / 9
    axis = np.arange(size) - (size - 1) / 2
    hfr = growth_radius(picture, axis)
    e1, e2 = adaptive_moments(picture[None], axis, max(1.0, hfr))
    return PictureShape(2 * float(np.sqrt(area / np.pi)), hfr, float(e1[0]), float(e2[0]))


def growth_radius(picture: F64, axis: F64) -> float:
    """Radius around the light's centre with half the light within the picture's circle."""
    fine = ndimage.zoom(picture, 3, order=1, mode="nearest", grid_mode=True)
    at = np.interp(np.arange(len(fine)), np.arange(len(axis)) * 3 + 1, axis)
    at[0], at[-1] = at[1] - 1 / 3, at[-2] + 1 / 3
    keep = np.where(fine > 0.1 * fine.max(), fine, 0)
    total = max(float(keep.sum()), 1e-9)
    cy, cx = float(keep.sum(axis=1) @ at) / total, float(keep.sum(axis=0) @ at) / total
    radius = np.hypot(at[:, None] - cy, at[None, :] - cx).ravel()
    order = np.argsort(radius)
    radius, grown = radius[order], np.cumsum(fine.ravel()[order])
    inside = radius <= axis[-1] - 0.5
    grown = grown[inside]
    return float(radius[np.argmax(grown >= grown[-1] / 2)])


def shape_with_errors(
    light: F32, y: I64, x: I64, radius: int
) -> tuple[PictureShape, PictureShape, F64]:
    """Shape of the median picture, its standard errors from groups of stars, the picture."""
    cut = stamps(light, y, x, radius)
    picture = median_picture(cut)
    whole = picture_shape(picture)
    groups = [picture_shape(median_picture(cut[k::GROUPS])) for k in range(min(GROUPS, len(y)))]
    if len(groups) < 3:
        nothing = float("nan")
        return whole, PictureShape(nothing, nothing, nothing, nothing), picture
    table = np.array([[g.fwhm_px, g.hfr_px, g.e1, g.e2] for g in groups])
    # groups of few stars scatter like the mean of few: the whole is sqrt(groups) better
    errors = table.std(axis=0, ddof=1) / np.sqrt(len(groups))
    return whole, PictureShape(*(float(error) for error in errors)), picture
