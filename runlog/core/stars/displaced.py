"""Rows whose stars are not where the reference frame has them, unlike those of all other rows."""

from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from runlog.core.frame import StarList

F64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BAND_STARS = 12  # neighbours in y that must be out of place together
BAND_MATCHED = 0.1
REST_MATCHED = 0.75
FEWEST_ALIKE = 5  # stars displaced by the same way along the rows; chance gives one or two
SAME_PX = 1.5
SMALLEST_SHIFT_PX = 3.0
LEAST_UNMET = 0.5  # stars that the reference misses in a band, for each that lies elsewhere in it
STRAYS_SHARE = 0.2  # of the stars between the displaced ones may be in place


def rows_out_of_place(
    stars: StarList,
    matched: Collection[int],
    common: Mask,
    unmet: F64 | None = None,
    width: int | None = None,
) -> str | None:
    """
    Find a band of rows whose stars are not where the reference has them, unlike the others.

    Parameters
    ----------
    stars : StarList
        The frame's n stars, px.
    matched : collection of int
        Which of them (by position in the list) fell on a star of the reference.
    common : ndarray of bool, shape (n,)
        Which of them lie on the sky that the reference shows too.
    unmet : ndarray, shape (m, 2), or None
        Where in this frame the reference's stars should be on which none fell, (x, y) in px.
    width : int or None
        Columns of the frame; what slips out at one side comes in at the other.

    Returns
    -------
    str or None
        The rows, in words; None where no band stands out.
    """
    inside = np.flatnonzero(common)
    y = np.asarray(stars.y)[inside]
    hit = np.isin(inside, np.fromiter(matched, dtype=np.int64, count=len(matched)))
    if unmet is not None and width is not None:
        x = np.asarray(stars.x)[inside]
        displaced = _displaced(x, y, hit, unmet, width)
        if displaced is not None:
            return displaced
    order = np.argsort(y, kind="stable")
    band = _band(hit[order].astype(float))
    if band is None:
        return None
    rows = y[order[[band[0], band[1] - 1]]]
    if unmet is not None and not _left_behind(hit[order][slice(*band)], rows, unmet):
        return None
    return f"rows {rows[0]:.0f} to {rows[1]:.0f} are out of place"


def _displaced(x: F64, y: F64, hit: Mask, unmet: F64, width: int) -> str | None:
    """Find stars that miss theirs by one and the same way along the rows, in rows of their own."""
    alone = np.flatnonzero(~hit)
    across = (np.subtract.outer(x[alone], unmet[:, 0]) + width / 2) % width - width / 2
    level = np.abs(np.subtract.outer(y[alone], unmet[:, 1])) <= SAME_PX
    mine, theirs = np.nonzero(level & (np.abs(across) >= SMALLEST_SHIFT_PX))
    ways = across[mine, theirs]
    if len(ways) < FEWEST_ALIKE:
        return None
    agree = np.abs(ways[:, None] - ways) <= SAME_PX
    best = int(np.argmax(agree.sum(axis=1)))
    members = np.unique(alone[mine[agree[best]]])
    if len(members) < FEWEST_ALIKE:
        return None
    low, high = float(y[members].min()), float(y[members].max())
    between = np.count_nonzero(hit & (y > low) & (y < high))
    if between > STRAYS_SHARE * (between + len(members)):
        return None
    way = abs(float(np.median(ways[agree[best]])))
    return f"rows {low:.0f} to {high:.0f} are displaced by {way:.0f} px along the rows"


def _left_behind(hit: Mask, rows: F64, unmet: F64) -> bool:
    """Tell whether stars of the reference are missed where a band's own lie on none.

    Stars that are elsewhere are gone from their places. Where none is missed, what was found is no
    star (a satellite's line in pieces), or the reference was covered there.
    """
    missed = np.count_nonzero((unmet[:, 1] >= rows[0]) & (unmet[:, 1] <= rows[1]))
    return bool(missed >= LEAST_UNMET * np.count_nonzero(~hit))


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
