"""Find read-out glitches: repeated rows, a missing part, bands."""

from collections.abc import Collection
from typing import Any

import numpy as np
import numpy.typing as npt

from runlog.core.frame import StarList
from runlog.measure.background import MAD_TO_SIGMA

Array = npt.NDArray[Any]
F64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

COLUMNS = 512  # sampled per row
REPEATED_LEAST = 3  # rows alike; noise makes even one all but impossible
BLANK_SHARE = 0.02  # of the rows without any noise
STEP_SIGMA = 12.0  # of the scatter of row medians
STEP_NOISE = 0.4  # a step must also be seen against the pixel noise
STEPS_LEAST = 4
BAND_STARS = 12  # neighbours in y that must be out of place together
BAND_MATCHED = 0.1
REST_MATCHED = 0.75
STRIDE = 2  # rows of one Bayer colour lie two apart


def find_glitch(pixels: Array, noise_adu: float | None) -> str | None:
    """Say in words what went wrong while the frame was read out; None when nothing did.

    Parameters
    ----------
    pixels : (h, w) or (3, h, w), in ADU; a colour frame is judged by its first plane.
    noise_adu : robust noise of one pixel.
    """
    plane = pixels[0] if pixels.ndim == 3 else pixels
    if plane.ndim != 2 or plane.shape[0] < 64 or not noise_adu:
        return None
    thin = plane[:, :: max(1, plane.shape[1] // COLUMNS)]
    return _repeated(thin) or _blank(thin) or _bands(thin, noise_adu)


def rows_out_of_place(stars: StarList, matched: Collection[int], common: Mask) -> str | None:
    """Find a band of rows whose stars are not where the reference has them, unlike the others.

    Parameters
    ----------
    stars : the frame's stars.
    matched : which of them (by position in the list) fell on a star of the reference.
    common : (n,) bool, which of them lie on the sky that the reference shows too.
    """
    inside = np.flatnonzero(common)
    y = np.asarray(stars.y)[inside]
    hit = np.isin(inside, np.fromiter(matched, dtype=np.int64, count=len(matched)))
    order = np.argsort(y, kind="stable")
    band = _band(hit[order].astype(float))
    if band is None:
        return None
    rows = y[order[[band[0], band[1] - 1]]]
    return f"rows {rows[0]:.0f} to {rows[1]:.0f} are out of place"


def _band(hit: F64) -> tuple[int, int] | None:
    """Find the stretch of stars that miss together while nearly all others meet."""
    if len(hit) < 3 * BAND_STARS or hit.mean() < 0.4:
        return None
    shares = np.convolve(hit, np.ones(BAND_STARS), mode="valid") / BAND_STARS
    lost = np.flatnonzero(shares <= BAND_MATCHED)
    if not len(lost):
        return None
    first, last = int(lost[0]), int(lost[-1]) + BAND_STARS
    rest = np.concatenate([hit[:first], hit[last:]])
    if len(rest) < BAND_STARS or rest.mean() < REST_MATCHED:
        return None
    return first, last


def _repeated(thin: Array) -> str | None:
    structured = thin[thin.max(axis=1) != thin.min(axis=1)]
    count = len(structured) - len({row.tobytes() for row in structured})
    return f"{count} rows repeat other rows" if count >= REPEATED_LEAST else None


def _blank(thin: Array) -> str | None:
    flat = thin.max(axis=1) == thin.min(axis=1)
    share = float(flat.mean())
    return f"{share:.0%} of the rows hold no picture" if BLANK_SHARE < share < 1 else None


def _bands(thin: Array, noise_adu: float) -> str | None:
    """Look for sudden steps of whole rows; sky, nebulae and vignetting change slowly."""
    medians = np.median(thin, axis=1)
    steps = np.abs(_steps(medians))
    scatter = max(MAD_TO_SIGMA * float(np.median(steps)), noise_adu / np.sqrt(thin.shape[1]))
    sudden = steps > max(STEP_SIGMA * scatter, STEP_NOISE * noise_adu)
    count = int(sudden.sum())
    if count < STEPS_LEAST:
        return None
    return f"bands: the level of whole rows jumps by up to {steps.max():.0f} ADU"


def _steps(medians: F64) -> F64:
    return np.asarray(medians[STRIDE:] - medians[:-STRIDE], dtype=np.float64)
