"""Lay one frame on another by their stars: place, light, rows out of place."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from runlog.core.frame import Frame, StarList
from runlog.core.stars.displaced import rows_out_of_place
from runlog.core.stars.match import Match, match_stars, shared_sky
from runlog.core.stars.throughput import throughput

SCALES = (0.97, 1.03)  # one rig, one binning: any other scale is another field


class Laid(NamedTuple):
    """How a frame lies on another one, by their stars."""

    throughput: float | None
    rows_out_of_place: str | None
    shift_x_px: float
    shift_y_px: float
    rotation_deg: float
    shared: float  # share of its sky that the other one shows too


ON_ITSELF = Laid(1.0, None, 0.0, 0.0, 0.0, 1.0)


def lay_on(reference: Frame, there: StarList, frame: Frame, stars: StarList) -> Laid | None:
    """Lay a frame on a reference by their stars; None when these do not match."""
    size = frame.identity.width, frame.identity.height
    match = match_stars(there, stars, size, scales=SCALES)
    if match is None:
        return None
    light = throughput(
        there,
        stars,
        match,
        reference_exposure_s=reference.header.exposure_s or 0.0,
        exposure_s=frame.header.exposure_s or 0.0,
        clipped=max(f.measurement.clipped_stars or 0 for f in (reference, frame)),
    )
    common, unmet = _common(stars, match, size), _unmet(there, match, size)
    rows = rows_out_of_place(stars, {here for _, here in match.pairs}, common, unmet, size[0])
    where = match.shift_x_px, match.shift_y_px, match.rotation_deg
    return Laid(light.ratio if light else None, rows, *where, shared_sky(*where, size))


def stored_place(frame: Frame) -> Laid | None:
    """Give what is stored of how a frame lies on its reference."""
    placed, identity = frame.placement, frame.identity
    x, y, turn = placed.shift_x_px, placed.shift_y_px, placed.rotation_deg
    if placed.matched_to is None or x is None or y is None or turn is None:
        return None
    shared = shared_sky(x, y, turn, (identity.width, identity.height))
    return Laid(None, None, x, y, turn, shared)


def _common(stars: StarList, match: Match, size: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """Tell which stars lie on the sky that the reference frame shows too."""
    centre = (np.array(size, float) - 1) / 2
    away = np.column_stack([stars.x, stars.y]) - centre - [match.shift_x_px, match.shift_y_px]
    turn = np.radians(match.rotation_deg)
    x = away[:, 0] * np.cos(turn) + away[:, 1] * np.sin(turn)
    y = away[:, 1] * np.cos(turn) - away[:, 0] * np.sin(turn)
    return np.asarray((np.abs(x) < centre[0]) & (np.abs(y) < centre[1]))


def _unmet(there: StarList, match: Match, size: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Give where the reference's stars should be in this frame, of those on which none fell."""
    centre = (np.array(size, float) - 1) / 2
    met = {star for star, _ in match.pairs}
    left = [i for i in range(len(there.x)) if i not in met]
    away = np.column_stack([np.array(there.x)[left], np.array(there.y)[left]]) - centre
    turn = np.radians(match.rotation_deg)
    x = away[:, 0] * np.cos(turn) - away[:, 1] * np.sin(turn)
    y = away[:, 1] * np.cos(turn) + away[:, 0] * np.sin(turn)
    place = np.column_stack([x, y]) + centre + [match.shift_x_px, match.shift_y_px]
    inside = (place > 0).all(axis=1) & (place < size).all(axis=1)
    return np.asarray(place[inside], np.float64)
