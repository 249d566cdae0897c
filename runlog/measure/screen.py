"""Tell stars from hot pixels, cosmic rays and extended things, against the frame's own star."""

from dataclasses import dataclass

import numpy as np

from runlog.measure.pixels import F32, F64, Mask
from runlog.measure.shape import pixel_moffat

PHASES = (-1 / 3, 0.0, 1 / 3)
RADIUS = 2
UNLIKE_MODEL = 0.12  # a fitted star at nine phases leaves little
UNLIKE_PICTURE = 0.35  # a ring's or trail's mean picture is coarser, its stars less alike
WIDER = 2.0  # times the star's width: a galaxy or a knot of nebula


@dataclass(frozen=True, slots=True)
class Templates:
    """The frame's star on 5x5 detection pixels at nine sub-pixel phases, unit energy."""

    star: F64  # (phases, 25)
    wide: F64 | None  # (phases, 25): the same, `WIDER` times as wide
    used: Mask  # (25,) which pixels are compared
    unlike: float  # share of a star's energy that noise-free mismatch may leave unexplained


def templates_of(matrix_px: F64, beta: float, bin_factor: int) -> Templates:
    """
    Star pictures from a Moffat's squared scales, in detection pixels.

    Parameters
    ----------
    matrix_px : ndarray, shape (2, 2)
        Squared scales of the frame's Moffat, px^2.
    beta : float
        Its index.
    bin_factor : int
        Frame px in a detection pixel, each way.

    Returns
    -------
    Templates
        Nine phases of the star, and of one `WIDER` times as wide.

    References
    ----------
    Moffat 1969, A&A 3, 455, by `pixel_moffat`.
    """
    matrix = matrix_px / bin_factor**2
    everything = np.ones((2 * RADIUS + 1) ** 2, bool)
    wide = pictures(matrix * WIDER**2, beta)
    return Templates(pictures(matrix, beta), wide, everything, UNLIKE_MODEL)


def templates_of_picture(picture: F64, bin_factor: int) -> Templates:
    """
    Star pictures from the stars' median picture, in detection pixels, at several phases.

    Parameters
    ----------
    picture : ndarray, shape (k, k)
        Median picture of the stars on frame px, no unit.
    bin_factor : int
        Frame px in a detection pixel, each way.

    Returns
    -------
    Templates
        Phases a third of a detection pixel apart; no wider star is compared.
    """
    size, half = picture.shape[0], (2 * RADIUS + 1) * bin_factor
    padded = np.pad(picture, half)
    middle = half + size // 2
    offsets = sorted({int(np.rint(phase * bin_factor)) for phase in PHASES})
    drawn = []
    for oy in offsets:
        for ox in offsets:
            top, left = (middle - half // 2 - offset for offset in (oy, ox))
            window = padded[top : top + half, left : left + half]
            blocks = window.reshape(2 * RADIUS + 1, bin_factor, 2 * RADIUS + 1, bin_factor)
            drawn.append(blocks.sum(axis=(1, 3)).ravel())
    # wide stars reach into one another: only the middle of the stamp is compared
    middle_only = np.zeros((2 * RADIUS + 1, 2 * RADIUS + 1), bool)
    middle_only[1:-1, 1:-1] = True
    star = np.array(drawn) * middle_only.ravel()
    star /= np.linalg.norm(star, axis=1)[:, None]
    return Templates(star, None, middle_only.ravel(), UNLIKE_PICTURE)


def pictures(matrix: F64, beta: float) -> F64:
    """The star at nine phases, each scaled to unit energy."""
    axis = np.arange(-RADIUS, RADIUS + 1.0)
    py, px, y, x = np.meshgrid(PHASES, PHASES, axis, axis, indexing="ij")
    drawn = pixel_moffat(x - px, y - py, matrix, beta).reshape(-1, len(axis) ** 2)
    return np.asarray(drawn / np.linalg.norm(drawn, axis=1)[:, None])


def screen(cut: F32, noise: F64, templates: Templates) -> Mask:
    """
    Which 5x5 stamps hold stars.

    A star must be explained better by the frame's star than by light in one or two pixels,
    and leave little of its energy unexplained; and not clearly better by a star twice as wide.

    Parameters
    ----------
    cut : ndarray, shape (n, 5, 5)
        Sky-subtracted stamps centred on the peak, ADU.
    noise : ndarray, shape (n,)
        Noise of one pixel, ADU.
    templates : Templates
        The frame's star.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    flat = cut.reshape(len(cut), templates.used.size).astype(float) * templates.used
    energy = np.sum(flat**2, axis=1)
    like_star = np.max(np.maximum(flat @ templates.star.T, 0) ** 2, axis=1)
    ranked = np.sort(cut[:, 1:4, 1:4].reshape(len(cut), 9).astype(float), axis=1)
    like_pair = np.maximum(ranked[:, -1], 0) ** 2 + np.maximum(ranked[:, -2], 0) ** 2
    count = np.count_nonzero(templates.used)
    noise_energy = (count + 3 * np.sqrt(2 * count)) * noise**2
    unexplained = energy - like_star
    sharp = like_pair > like_star
    unlike = unexplained > templates.unlike * like_star + noise_energy
    return np.asarray(~sharp & ~unlike & ~extended(flat, like_star, noise, templates))


def extended(flat: F64, like_star: F64, noise: F64, templates: Templates) -> Mask:
    """Which stamps look clearly more like a star `WIDER` times as wide."""
    if templates.wide is None:
        return np.zeros(len(flat), bool)
    like_wide = np.max(np.maximum(flat @ templates.wide.T, 0) ** 2, axis=1)
    return np.asarray((like_wide > like_star + 9 * noise**2) & (like_wide > 1.04 * like_star))
