"""The radial profile and curve of growth of a star of a frame, and of its run's best frame."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from runlog.actions.pictures import Array, Picture, companion, full_picture, picture

if TYPE_CHECKING:
    from runlog.measure.profile import StarProfile

# Cut-outs in the order in which a star is looked for: the middle, half way out, the corners.
PLACES = ((2, "centre"), *((n, "half way") for n in (1, 3, 6, 7)),
          *((n, "corner") for n in (0, 4, 5, 8)))  # fmt: skip
REACH_WIDTHS, LEAST_REACH_PX, MOST_REACH_PX = 4.0, 6.0, 60.0
SKY_PX = 9  # cut out beyond the reach, where the file is there
EDGE_PX = 9.0  # a star nearer to its cut-out's edge shows too little of itself
NEIGHBOUR = 0.05  # of the star's light: more within the reach is told by the curve of growth


@dataclass(frozen=True, slots=True)
class StarCurves:
    """One star of a frame: where it is, its curves, and what they were read from."""

    picture: Picture
    place: str = ""
    x: float = 0.0
    y: float = 0.0
    profile: "StarProfile | None" = None
    from_file: bool = False  # else from the stored cut-out, whose steps are coarse
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class Chosen:
    """The star to show: its place in words, the cut-out that holds it, and where it is."""

    place: str
    cutout: int
    x: float
    y: float


def curves_beside_best(engine: Engine, seen: Picture) -> tuple[StarCurves, StarCurves | None]:
    """Measure a star of a frame, and one of its run's sharpest kept other frame, if there is one.

    Reads both files where they are there: a matter of seconds.
    """
    best_id = companion(engine, seen.sight, "best")
    best = None if best_id is None else picture(engine, best_id)
    return star_curves(engine, seen), None if best is None else star_curves(engine, best)


def star_curves(engine: Engine, seen: Picture) -> StarCurves:
    """Measure the star nearest to the middle that was cut out, from the file or the cut-out."""
    star = _chosen(seen)
    if star is None:
        return StarCurves(seen, trouble="no star was cut out of this frame")
    full = full_picture(engine, seen.sight.frame.identity.id)
    if full.image is not None and full.shrink == 1:
        found, from_file = _around(full.image, star, _reach_px(seen)), True
    else:
        found, from_file = _in_cutout(seen, star), False
    why = None if found else "no light of a star where one was measured"
    return StarCurves(seen, star.place, star.x, star.y, found, from_file, why)


def _reach_px(seen: Picture) -> float:
    width = seen.sight.frame.measurement.fwhm_px or 0.0
    return min(max(REACH_WIDTHS * width, LEAST_REACH_PX), MOST_REACH_PX)


def _chosen(seen: Picture) -> Chosen | None:
    """Choose the first star that stands alone; else the first there is."""
    stars = list(_stars(seen))
    alone = (star for star in stars if _is_alone(seen, star))
    return next(alone, stars[0] if stars else None)


def _stars(seen: Picture) -> Iterator[Chosen]:
    """Give the stars inside the cut-outs, place by place, brightest first."""
    for number, place in PLACES if len(seen.corners) == len(PLACES) else ():
        left, top = seen.corners[number]
        high, wide = seen.cutouts[number].shape
        for x, y, _ in seen.sight.stars:
            across, down = x - left, y - top
            inside = EDGE_PX <= across <= wide - 1 - EDGE_PX
            if inside and EDGE_PX <= down <= high - 1 - EDGE_PX:
                yield Chosen(place, number, x, y)


def _is_alone(seen: Picture, star: Chosen) -> bool:
    reach = _reach_px(seen)
    near = [
        flux for x, y, flux in seen.sight.stars if (x - star.x) ** 2 + (y - star.y) ** 2 <= reach**2
    ]
    return sum(near) - max(near) <= NEIGHBOUR * max(near)


def _around(image: Array, star: Chosen, reach_px: float) -> "StarProfile | None":
    from runlog.measure.profile import star_profile  # the measuring code takes seconds to import

    margin = int(reach_px) + SKY_PX
    left, top = (max(0, round(at) - margin) for at in (star.x, star.y))
    cut = image[top : round(star.y) + margin + 1, left : round(star.x) + margin + 1]
    return star_profile(cut, star.x - left, star.y - top, reach_px)


def _in_cutout(seen: Picture, star: Chosen) -> "StarProfile | None":
    from runlog.measure.profile import star_profile

    left, top = seen.corners[star.cutout]
    cut = seen.cutouts[star.cutout]
    x, y = star.x - left, star.y - top
    edge = min(x, y, cut.shape[1] - 1 - x, cut.shape[0] - 1 - y)
    return star_profile(cut, x, y, min(_reach_px(seen), edge))
