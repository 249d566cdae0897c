"""The same stars of a frame and of its run's best, cut out of both, to be seen one above another.

What tells a frame that is soft, trailed, doubled or out of focus from a good one is seen in stars,
not in a whole frame shrunk to a terminal.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np
from sqlalchemy import Engine

from runlog.actions.pictures import Array, FullPicture, Picture, companion, full_picture, picture
from runlog.core.overlay import Laying, laying

# Where stars are looked for, in shares of width and height: along one diagonal, middle outwards.
PLACES = (
    (0.5, 0.5, "centre"), (0.1, 0.1, "top left"), (0.9, 0.9, "bottom right"),
    (0.3, 0.3, "half way"), (0.7, 0.7, "half way"),
)  # fmt: skip
REACH_WIDTHS, LEAST_REACH_PX, MOST_REACH_PX = 3.0, 8.0, 60.0
SAME_STAR_WIDTHS = 2.0  # as far from where it should be a star of the other frame may lie
NO_PIXELS = "No picture of it is stored"
BRIGHT_SHARE = 0.5  # of the listed stars, the brightest first: faint ones show nothing


@dataclass(frozen=True, slots=True)
class Cut:
    """A square of a frame around a star."""

    image: Array | None = None  # (h, w), ADU; None where its pixels cannot be had
    left: float = 0.0  # frame pixels of its corner, and to each of its pixels
    top: float = 0.0
    shrink: float = 1.0


@dataclass(frozen=True, slots=True)
class StarPair:
    """One star: where it is in both frames, and both cut out."""

    place: str
    x: float
    y: float
    own: Cut
    best_x: float | None = None
    best_y: float | None = None
    best: Cut = Cut()


@dataclass(frozen=True, slots=True)
class StarPairs:
    """Stars to look at, the frame they are compared with, and what stands in the way."""

    seen: Picture
    pairs: tuple[StarPair, ...] = ()
    best: Picture | None = None
    reach_px: float = LEAST_REACH_PX
    from_files: bool = False
    trouble: str = ""  # why there is nothing to compare with, or nothing at all


Source = Callable[[float, float, float], Cut]


def star_pairs(engine: Engine, seen: Picture, *, files: bool) -> StarPairs:
    """Cut out stars of a frame and the same of its run's best; from the files, where asked."""
    stars = _chosen(seen)
    if not stars:
        return StarPairs(seen, trouble="No star was measured in this frame")
    best_id = companion(engine, seen.sight, "best")
    best = None if best_id is None else picture(engine, best_id)
    way = None if best is None else laying(seen.sight.frame, best.sight.frame)
    widths = [p.sight.frame.measurement.fwhm_px or 0.0 for p in (seen, best) if p]
    reach = min(max(REACH_WIDTHS * max(widths), LEAST_REACH_PX), MOST_REACH_PX)
    file = full_picture(engine, _id(seen)) if files else FullPicture()
    own = _source(seen, file)
    its = None
    if best is not None and way is not None:
        its = _source(best, full_picture(engine, _id(best)) if files else FullPicture())
    pairs = tuple(_pair(star, own, its, best, way, reach) for star in stars)
    if all(pair.own.image is None for pair in pairs):
        return StarPairs(seen, trouble=file.trouble or seen.trouble or NO_PIXELS)
    return StarPairs(seen, pairs, best, reach, file.image is not None, _trouble(best, way))


def _id(of: Picture) -> int:
    return of.sight.frame.identity.id


def _trouble(best: Picture | None, way: Laying | None) -> str:
    if best is None:
        return "no other frame of this target and filter was kept: none to compare with"
    return "" if way else "the best frame could not be laid on this one by its stars"


def _chosen(seen: Picture) -> list[tuple[str, float, float]]:
    """Choose for each place the nearest bright star, each star once."""
    identity = seen.sight.frame.identity
    listed = [(x, y) for x, y, _ in seen.sight.stars]
    left = listed[: max(int(len(listed) * BRIGHT_SHARE), min(len(listed), len(PLACES)))]
    chosen = []
    for across, down, name in PLACES:
        if not left:
            break
        x, y = across * identity.width, down * identity.height
        nearest = min(left, key=lambda star: (hypot(star[0] - x, star[1] - y), star))
        left.remove(nearest)
        chosen.append((name, *nearest))
    return chosen


def _pair(
    star: tuple[str, float, float], own: Source, its: Source | None, best: Picture | None,
    way: Laying | None, reach: float,
) -> StarPair:  # fmt: skip
    place, x, y = star
    cut = own(x, y, reach)
    if its is None or best is None or way is None:
        return StarPair(place, x, y, cut)
    there = _same_star(best, *way.of(x, y))
    return StarPair(place, x, y, cut, *there, its(*there, reach))


def _same_star(best: Picture, x: float, y: float) -> tuple[float, float]:
    """Go to the star that lies where this one should be; else stay at the place itself."""
    width = best.sight.frame.measurement.fwhm_px or 0.0
    near = [(hypot(a - x, b - y), a, b) for a, b, _ in best.sight.stars]
    apart, a, b = min(near, default=(np.inf, x, y))
    return (a, b) if apart <= max(SAME_STAR_WIDTHS * width, 3.0) else (x, y)


def _source(of: Picture, full: FullPicture) -> Source:
    """Give the finest pixels there are: the file's, a stored cut-out's, the preview's."""

    def cut(x: float, y: float, reach: float) -> Cut:
        return next(_cuts(of, full, x, y, reach), Cut())

    return cut


def _cuts(of: Picture, full: FullPicture, x: float, y: float, reach: float) -> Iterator[Cut]:
    if full.image is not None and full.shrink == 1:
        yield _part(full.image, x, y, reach, 1)
    for (left, top), image in zip(of.corners, of.cutouts, strict=True):
        if _holds(image.shape, x - left, y - top, reach):
            yield Cut(image, left, top)
    if of.image is not None:
        yield _part(of.image, x, y, reach, of.shrink)


def _holds(shape: Sequence[int], x: float, y: float, reach: float) -> bool:
    """Tell whether a cut-out shows enough of a star: its core and some sky all round."""
    edge = min(x, y, shape[1] - 1 - x, shape[0] - 1 - y)
    return edge >= reach / 2


def _part(image: Array, x: float, y: float, reach: float, shrink: int) -> Cut:
    around = int(reach / shrink) + 2
    left, top = (max(int(at / shrink) - around, 0) for at in (x, y))
    part = image[top : int(y / shrink) + around + 1, left : int(x / shrink) + around + 1]
    return Cut(part.astype(np.float32), left * shrink, top * shrink, shrink)
