"""Charge left behind along rows or columns by bright stars: tails to one side, no trails."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.frame import Streak
from runlog.measure.lines import extent
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import Residual

MOST_ACROSS = 0.5  # of its length: how far across rows (or columns) a piece may reach
GROUND_PX = 3  # how many rows to either side, two off the tail, its ground is taken from
WIDEST_PX = 9  # of a tail: more is no charge left behind in one row
STEADY_PX = 25  # along a tail, over which its light is read: stars on it are shorter
DARK_SHARE = 0.4  # of a piece's light: where it is less the tail ends
RISES = 2.0  # times a piece's light: where it is more, away from the star, another's begins
STAR_PX = 30  # about its end, where the star that left the charge stands
STAR_OVER_TAIL, STAR_SIGMA = 2.0, 20.0  # how bright that star is, to the tail and the noise
MOST_DRIFT_PX = 0.7  # of a tail's middle, from its first third to its last
BESIDE_PX = 2  # beyond a tail's rows, where its middle is looked for, and its star


@dataclass(frozen=True, slots=True)
class Tail:
    """A stretch of rows; of columns where turned."""

    turned: bool
    row: int
    first: int  # along the rows
    last: int

    def holds(self, other: "Tail") -> bool:
        """Whether the middle of another stretch is part of this one."""
        beside = self.turned != other.turned or abs(self.row - other.row) > 1
        return not beside and self.first <= (other.first + other.last) / 2 <= self.last

    def joined(self, other: "Tail") -> "Tail":
        ends = min(self.first, other.first), max(self.last, other.last)
        return Tail(self.turned, self.row, *ends)

    def streak(self) -> Streak:
        first, last, row = float(self.first), float(self.last), float(self.row)
        return Streak(row, first, row, last) if self.turned else Streak(first, row, last, row)


def tails_among(
    residual: Residual, y: F64, x: F64, piece: I64, factor: int, noise_adu: float,
    known: list[Tail],
) -> tuple[Mask, list[Tail]]:  # fmt: skip
    """
    Tell which pieces of light are tails that bright stars left in their rows or columns.

    A tail keeps to its row exactly, and its light begins at a bright star: on that star's other
    side it is gone. A trail that crosses a star goes on beyond it, and leaves the row.

    Parameters
    ----------
    residual : Residual
        Sky-subtracted light, with what was mended of it: where a tail's bright part was taken for
        a line of the sensor, what is left of it begins there.
    y, x : ndarray, shape (n,)
        Blocks that are lit, in the smoothed copy, counted in blocks of `factor` px.
    piece : ndarray of int, shape (n,)
        Number of the piece each belongs to, no unit.
    factor : int
        Pixels a block, each way.
    noise_adu : float
        Noise of a pixel.
    known : list of Tail
        Found on a finer copy.

    Returns
    -------
    ndarray of bool, shape (n,); list of Tail
        Which blocks belong to tails; the tails, those known included.
    """
    of_tail = np.zeros(len(piece), bool)
    found = list(known)
    order = np.argsort(piece, kind="stable")
    for own in np.split(order, np.flatnonzero(np.diff(piece[order])) + 1):
        stretch = stretch_of(residual.light, y[own], x[own], factor) if len(own) else None
        if stretch is None:
            continue
        tail = next((tail for tail in found if tail.holds(stretch)), None)
        if tail is None and (tail := tail_from(residual, stretch, noise_adu)) is not None:
            add(found, tail)
        of_tail[own] = tail is not None
    return of_tail, found


def add(found: list[Tail], tail: Tail) -> None:
    """Add a tail, or what it has more than one of its row's that is known."""
    for k, known in enumerate(found):
        if known.holds(tail) or tail.holds(known):
            found[k] = known.joined(tail)
            return
    found.append(tail)


def stretch_of(light: F32, y: F64, x: F64, factor: int) -> Tail | None:
    """Find the pixels' row (or column) that a piece lies along; None where it lies aslant."""
    tall, wide = float(np.ptp(y)) + 1, float(np.ptp(x)) + 1
    if min(tall, wide) > MOST_ACROSS * max(tall, wide):
        return None
    turned = tall > wide
    picture, rows, along = (light.T, x, y) if turned else (light, y, x)
    first, last = (int((v + 1) * factor) for v in (along.min(), along.max() + 1))
    # a block beyond on both sides: a piece may be but the blurred skirt of what is cut off it
    top, bottom = max(0, int(rows.min()) * factor), int(rows.max() + 3) * factor
    last = min(last, picture.shape[1]) - 1
    profile = np.median(picture[top:bottom, first : last + 1], axis=1)
    return Tail(turned, top + int(np.argmax(profile)), first, last)


def tail_from(residual: Residual, stretch: Tail, noise_adu: float) -> Tail | None:
    """Follow a stretch's row both ways; None unless its light ends at a bright star."""
    picture = residual.light.T if stretch.turned else residual.light
    top, bottom = core_of(picture, stretch)
    if bottom - top >= WIDEST_PX:
        return None
    profile = row_profile(picture, top, bottom)
    level = float(np.median(profile[stretch.first : stretch.last + 1]))
    star = max(STAR_OVER_TAIL * level, STAR_SIGMA * noise_adu)
    steady = ndimage.median_filter(profile, STEADY_PX, mode="nearest")
    middle = (stretch.first + stretch.last) // 2
    dark = steady < DARK_SHARE * level
    stops = dark | (steady > RISES * level)
    if stops[middle]:
        return None
    rows = slice(max(0, top - BESIDE_PX), bottom + BESIDE_PX + 1)
    for way in (1, -1):  # the star stands before the stretch, or behind it
        near, far = walked(middle, -way, dark), walked(middle, way, stops)
        if near is None or not (
            has_star(picture, rows, near, star) or goes_on_mended(residual, stretch, near)
        ):
            continue
        far = far if far is not None else (len(profile) - 1 if way > 0 else 0)
        tail = Tail(stretch.turned, stretch.row, min(near, far), max(near, far))
        own = slice(max(stretch.first, tail.first), min(stretch.last, tail.last) + 1)
        whole = slice(tail.first, tail.last + 1)
        if not any(drifts(picture[rows, columns]) for columns in (own, whole)):
            return tail
    return None


def has_star(picture: F32, rows: slice, near: int, least_adu: float) -> bool:
    """Whether something as bright as asked stands at the end of a tail, in its rows or beside."""
    part = picture[rows, max(0, near - STAR_PX) : near + STAR_PX + 1]
    return bool(part.max() > least_adu)


def goes_on_mended(residual: Residual, stretch: Tail, near: int) -> bool:
    """Whether a tail's row, and not those far beside it, was mended at the tail's end."""
    if residual.bad is None:
        return False
    bad = residual.bad.T if stretch.turned else residual.bad
    columns = slice(max(0, near - STEADY_PX), near + STEADY_PX + 1)
    beside = [stretch.row - WIDEST_PX, stretch.row + WIDEST_PX]
    inside = [row for row in beside if 0 <= row < len(bad)]
    return bool(bad[stretch.row, columns].any() and not bad[inside, columns].any())


def walked(middle: int, way: int, stops: Mask) -> int | None:
    """Last place along a row, from a middle one way, before it stops; None at the frame's edge."""
    there = np.flatnonzero(stops[middle:] if way > 0 else stops[middle::-1])
    return middle + way * (int(there[0]) - 1) if len(there) else None


def core_of(picture: F32, stretch: Tail) -> tuple[int, int]:
    """First and last row that are as bright as half of a stretch's brightest."""
    low = max(0, stretch.row - WIDEST_PX)
    part = picture[low : stretch.row + WIDEST_PX + 1, stretch.first : stretch.last + 1]
    first, last = extent(np.median(part, axis=1).astype(float), stretch.row - low)
    return low + first, low + last


def drifts(part: F32) -> bool:
    """Whether the light moves across rows from the first third of its columns to the last."""
    third = max(1, part.shape[1] // 3)
    return abs(middle_of(part[:, -third:]) - middle_of(part[:, :third])) > MOST_DRIFT_PX


def middle_of(rows: F32) -> float:
    """Middle, in rows, of the light that is typical of them."""
    profile = np.median(rows, axis=1).astype(float)
    weight = np.maximum(profile - profile.max() / 2, 0)
    return float(weight @ np.arange(len(weight)) / max(weight.sum(), 1e-30))


def row_profile(picture: F32, top: int, bottom: int) -> F64:
    """Light along some rows, less that of the darker ground beside them."""
    core = picture[top : bottom + 1].mean(axis=0, dtype=float)
    sides = [picture[max(0, top - 1 - GROUND_PX) : max(0, top - 1)],
             picture[bottom + 2 : bottom + 2 + GROUND_PX]]  # fmt: skip
    ground = [
        ndimage.median_filter(side.mean(axis=0, dtype=float), STEADY_PX, mode="nearest")
        for side in sides
        if len(side)
    ]
    return np.asarray(core - np.min(ground, axis=0))
