"""Rows that a bright star lifts: charge left behind in them, spikes, smear. They are its own."""

from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple, Self

import numpy as np
import numpy.typing as npt

from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.sensor.signs import Break

Array = npt.NDArray[Any]
F32 = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

STAR_ROWS = 3  # beside the jump in which its star stands
STARS = 5  # the brightest of these rows that are tried
STAR_PX = 12  # to either side that are the star itself
FEWEST_PX = 12  # that tell a level
STAR_OVER = 10.0  # times the jump: what a star leaves behind is a small share of it
QUIET, BESIDE = 0.35, 0.6  # of the jump: where the star put nothing, and where it did
FADED = 0.75  # of the level near the star is left far from it
CLIP, ERRORS, FADED_ERRORS = 2.5, 2.5, 5.0
NARROW_ROWS = 6  # a star smears no wider
BEYOND_ROWS = (NARROW_ROWS, 12, 18)  # one of these is as low as before where a star lifts a few
NEAR_FULL, FULL, FEWEST_FULL = 0.5, 0.95, 3  # of the greatest value; pixels that reach it
RARE = 0.05  # of the rows hold such a star; where more do, one in a row tells nothing


def not_of_stars(
    plane: Array, breaks: Iterable[Break], noise_adu: float, each: int = 1
) -> tuple[Break, ...]:
    """
    Leave out the jumps of rows that a bright star in them brought about.

    The read-out lifts a row on both sides of any star by the same. Charge left behind lies on one
    side of its star, a spike fades away from it, and smear is as narrow as the full star it runs
    through.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        ADU.
    breaks : iterable of Break
        Jumps between its rows.
    noise_adu : float
        Noise of one pixel.
    each : int
        Rows that were looked at as one.

    Returns
    -------
    tuple of Break
        Those that no star explains.
    """
    found = tuple(breaks)
    if not found:
        return ()
    full = _rows_of_full_stars(plane)
    of_stars = [b.at for b in found if _is_of_star(plane, b, noise_adu, each, full)]
    # Where a star lifts a row, the jump back a row or two on is its doing as well.
    return tuple(b for b in found if all(abs(b.at - at) > NARROW_ROWS for at in of_stars))


def _rows_of_full_stars(plane: Array) -> Mask:
    """Tell which rows hold a full star; none, where so many are near it that it means nothing."""
    most = float(plane[np.isfinite(plane)].max())
    near, full = (
        np.asarray(np.count_nonzero(plane >= share * most, axis=1) >= FEWEST_FULL)
        for share in (NEAR_FULL, FULL)
    )
    return full if near.mean() <= RARE else np.zeros_like(full)


def _is_of_star(plane: Array, b: Break, noise_adu: float, each: int, full: Mask) -> bool:
    at = b.at
    if b.jump_adu < 0:  # seen from the other end it is a jump up
        plane, full, at = plane[::-1], full[::-1], len(plane) - at
    before, behind, *beyond = (
        _mean(plane[at + by : at + by + each]) for by in (-each, 0, *BEYOND_ROWS)
    )
    jump_adu = abs(b.jump_adu)
    if min(_median(rows - before) for rows in beyond) > QUIET * jump_adu:
        return False  # the level stays
    bright = slice(at, at + STAR_ROWS)
    stars = _stars(plane[bright], STAR_OVER * jump_adu)
    error_adu = noise_adu * np.sqrt(2 / each)
    return bool(full[bright].any() and _median(beyond[0] - before) <= QUIET * jump_adu) or any(
        _begins_at(behind - before, x, jump_adu, error_adu) for x in stars
    )


def _mean(rows: Array) -> F32:
    """Mean of some rows; of none nothing is known."""
    if not len(rows):
        return np.full(rows.shape[1], np.nan, np.float32)
    return np.asarray(np.asarray(rows, np.float32).mean(axis=0))


def _median(values: F32) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.inf


def _stars(rows: Array, over_adu: float) -> Iterator[int]:
    """Give the places of the brightest things in some rows."""
    light = np.asarray(rows, np.float32)
    left = np.where(np.isfinite(light), light, -np.inf).max(axis=0)
    left -= _median(left)
    for _ in range(STARS):
        x = int(left.argmax())
        if not left[x] >= over_adu:
            return
        yield x
        left[max(0, x - STAR_PX) : x + STAR_PX + 1] = -np.inf


def _begins_at(lift: F32, x: int, jump_adu: float, noise_adu: float) -> bool:
    """Tell whether a jump lies on one side of a star only, or fades away from it."""
    sides = lift[: max(0, x - STAR_PX)][::-1], lift[x + STAR_PX + 1 :]
    halves = [[_Level.of(half, noise_adu) for half in np.array_split(side, 2)] for side in sides]
    for (near, far), other, side in zip(halves, halves[::-1], sides[::-1], strict=True):
        if not near.adu >= BESIDE * jump_adu:
            continue
        beyond = _Level.of(side, noise_adu)
        if beyond.adu + ERRORS * beyond.error < QUIET * near.adu:
            return True
        lower = not any(half.adu > FADED * near.adu for half in other)
        if _fades(near, far) and (lower or _fades(*other)):
            return True
    return False


def _fades(near: "_Level", far: "_Level") -> bool:
    least = max((1 - FADED) * near.adu, FADED_ERRORS * np.hypot(near.error, far.error))
    return bool(near.adu - far.adu > least)


class _Level(NamedTuple):
    """Mean of some pixels without stars, and its error; of too few an unknown one."""

    adu: float
    error: float

    @classmethod
    def of(cls, values: F32, noise_adu: float) -> Self:
        known = values[np.isfinite(values)]
        if len(known) < FEWEST_PX:
            return cls(np.nan, np.inf)
        # A median of whole numbers has steps; the mean of what lies about it has none.
        apart = np.abs(known - np.median(known))
        scatter_adu = max(noise_adu, MAD_TO_SIGMA * float(np.median(apart)))  # crowded stars
        near = known[apart <= CLIP * scatter_adu]
        return cls(float(near.mean()), float(scatter_adu * np.sqrt(np.pi / 2 / len(known))))
