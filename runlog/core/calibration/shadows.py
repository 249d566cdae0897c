"""Whether the shadows of dust on one picture lie on another, at the same pixels."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from runlog.core.calibration.dust import Shadows
from runlog.core.robust import MAD_TO_SIGMA

Image = NDArray[np.float64]

WINDOW_SHARE = 24  # of the width: wider than the shadow of a grain, narrower than vignetting
LEAST_WINDOW_PX = 8
OUT_OF_NOISE = 5.0  # a shadow's pixels, smoothed, below their surroundings
BRIGHT = 2.0  # what stands out upward is stars
FEWEST_PX, LEAST_DEPTH = 30, 0.003
SHIFTS = 60  # places where there is no shadow, to see what chance gives
SEED = 17  # any number: the same two pictures have the same answer


def relief(light: Image) -> Image:
    """
    Take the slow fall of light out of a picture, and its stars.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Light above zero, in any unit.

    Returns
    -------
    ndarray, shape (h, w)
        Natural logarithm over that of the surroundings, smoothed over 3 x 3 pixels.
    """
    floor = max(1e-3 * float(np.median(light)), 1e-9)
    logs = np.log(np.maximum(light, floor))
    reach = _reach(light)
    for _ in range(2):
        around = _smoothed(logs, reach)
        over = logs - around
        logs = np.minimum(logs, around + BRIGHT * _scatter(over))
    return _smoothed(logs - _smoothed(logs, reach), 1)


def _reach(image: Image) -> int:
    """Tell how far the surroundings of a pixel go; no further than a tiny picture has room for."""
    wanted = max(LEAST_WINDOW_PX, image.shape[1] // WINDOW_SHARE)
    return int(max(1, min(wanted, min(image.shape) // 3)))


def _clear_edges(dark: NDArray[np.bool_], reach: int) -> None:
    """Leave out, in place, what has half of its surroundings only."""
    inner = np.zeros_like(dark)
    inner[reach:-reach, reach:-reach] = True
    dark &= inner


def _scatter(values: Image) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def _smoothed(image: Image, reach: int) -> Image:
    """Average over squares of 2 reach + 1 pixels; what falls to an edge falls on beyond it."""
    side = 2 * reach + 1
    beyond = np.pad(image, reach, mode="reflect", reflect_type="odd")
    wide = np.pad(beyond, ((1, 0), (1, 0)))
    sums = wide.cumsum(axis=0).cumsum(axis=1)
    found: Image = sums[side:, side:] - sums[:-side, side:] - sums[side:, :-side]
    found += sums[:-side, :-side]
    found /= side**2
    return found


def shared(of: Image, on: Image) -> Shadows | None:
    """
    Tell how much of one picture's shadows lies on another.

    Parameters
    ----------
    of, on : ndarray, shape (h, w) each
        Reliefs of the same pixels of one camera.

    Returns
    -------
    Shadows or None
        None where the first has no shadow that stands out, or the sizes differ. The error is the
        scatter of the same sum over places that a turn of the picture over its edges leads to.
    """
    if of.shape != on.shape:
        return None
    dark = of < -max(OUT_OF_NOISE * _scatter(of), LEAST_DEPTH)
    _clear_edges(dark, _reach(of))
    if dark.sum() < FEWEST_PX:
        return None
    depth = -float(of[dark].mean())
    here = -float(on[dark].mean())
    elsewhere = _elsewhere(dark, on)
    share = (here - float(np.median(elsewhere))) / depth
    return Shadows(depth, int(dark.sum()), share, _scatter(elsewhere) / depth)


def _elsewhere(dark: NDArray[np.bool_], on: Image) -> Image:
    random = np.random.default_rng(SEED)
    high, wide = on.shape
    moves = zip(
        random.integers(high // 10, high - high // 10, SHIFTS),
        random.integers(wide // 10, wide - wide // 10, SHIFTS),
        strict=True,
    )
    return np.array([-on[np.roll(dark, move, (0, 1))].mean() for move in moves])


def middle_of(pictures: Sequence[Image]) -> Image:
    """Take the middle of pictures of one size, each by its own light; stars that move go."""
    found: Image = np.median([p / max(float(np.median(p)), 1e-9) for p in pictures], axis=0)
    return found
