"""The polar axis's error by how the field turned: a least squares fit, and its ellipse."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from runlog.core.alignment.geometry import ARCMIN, field_turn, refraction_turn
from runlog.core.robust import MAD_TO_SIGMA

Floats = npt.NDArray[np.float64]

_ROUNDS = 4
_STEP = 0.1 * ARCMIN
SURE = 0.9  # of the ellipse
ARCSEC = float(np.radians(1 / 3600))
LEAST_NOISE = 1.0 * ARCSEC  # stored angles are no better


@dataclass(frozen=True, slots=True)
class Turns:
    """Angles of frames on their references, and where these frames stood; arrays (n,)."""

    hour_deg: Floats
    dec_deg: Floats
    turn: Floats  # radians, as position angle of true north in the camera, east positive
    group: npt.NDArray[np.int64]  # frames of a group share one constant
    latitude_deg: float


@dataclass(frozen=True, slots=True)
class Axis:
    """Where the axis stands off the true pole, towards zenith and east, in arc minutes."""

    up: float
    east: float
    covariance: Floats  # (2, 2), arcmin^2, scaled by the scatter
    freedom: int
    scatter_arcsec: float
    constants: Floats  # radians, one a group
    squares: float  # of the residuals, radians^2
    residuals: Floats

    @property
    def size(self) -> float:
        """How far off the pole it is."""
        return float(np.hypot(self.up, self.east))

    @property
    def reach(self) -> float:
        """How many standard errors of the covariance the ellipse reaches out, squared.

        F of two and n degrees of freedom has its quantile in closed form.
        """
        return 2 * f_point(self.freedom, 1 - SURE)

    def holds(self, up: float, east: float) -> bool:
        """Tell whether an axis is within the ellipse."""
        off = np.array([up - self.up, east - self.east])
        return bool(off @ np.linalg.solve(self.covariance, off) <= self.reach)

    def half_along(self, up: float, east: float) -> float:
        """Give half of the ellipse's extent along a direction, arcmin."""
        along = np.array([up, east]) / np.hypot(up, east)
        return float(np.sqrt(self.reach * along @ self.covariance @ along))

    @property
    def outline(self) -> Floats:
        """Axes on the ellipse, (36, 2)."""
        values, vectors = np.linalg.eigh(self.covariance)
        turn = np.radians(np.arange(0, 360, 10))
        round_ = (
            np.stack([np.cos(turn), np.sin(turn)])
            * np.sqrt(self.reach * np.maximum(values, 0.0))[:, None]
        )
        return np.asarray((vectors @ round_).T + np.array([self.up, self.east]))


def fit_axis(turns: Turns) -> Axis | None:
    """Fit the axis and a constant a group, refraction taken out; None where they are not told."""
    groups, index = np.unique(turns.group, return_inverse=True)
    freedom = len(turns.turn) - 2 - len(groups)
    if freedom < 1:
        return None
    own = (index[:, None] == np.arange(len(groups))).astype(float)
    wanted = turns.turn - refraction_turn(turns.hour_deg, turns.dec_deg, turns.latitude_deg)
    axis = np.zeros(2)
    for _ in range(_ROUNDS):
        here, slopes = _model(turns, axis)
        columns = np.concatenate([slopes, own], axis=1)
        if np.linalg.matrix_rank(columns * [*np.ones(2), *np.ones(len(groups))]) < columns.shape[1]:
            return None
        answer = np.linalg.lstsq(columns, wanted - here, rcond=None)[0]
        axis = axis + answer[:2]
    here, slopes = _model(turns, axis)
    constants = np.array([float((wanted - here)[index == n].mean()) for n in range(len(groups))])
    off = wanted - here - constants[index]
    squares = float((off**2).sum())
    columns = np.concatenate([slopes, own], axis=1)
    variance = max(squares / freedom, LEAST_NOISE**2 / 4)
    covariance = np.linalg.inv(columns.T @ columns)[:2, :2] * variance / ARCMIN**2
    up, east = (axis / ARCMIN).tolist()
    return Axis(
        up, east, covariance, freedom, float(np.sqrt(squares / freedom)) / ARCSEC, constants,
        squares, off,
    )  # fmt: skip


def _model(turns: Turns, axis: Floats) -> tuple[Floats, Floats]:
    """Give the turns (n,) of an axis, and how they go with it, (n, 2)."""

    def at(up: float, east: float) -> Floats:
        return field_turn(turns.hour_deg, turns.dec_deg, turns.latitude_deg, up, east)

    up, east = axis.tolist()
    here = at(up, east)
    slopes = [at(up + _STEP, east) - here, at(up, east + _STEP) - here]
    return here, np.stack(slopes, axis=1) / _STEP


def either_way(one: Axis, other: Axis) -> Axis:
    """Bring together what both senses of an image give: an axis, or its opposite.

    Refraction was taken out with the wrong sign in one of them: the ellipse is widened to reach
    both answers with room to spare. The sign of what comes out stays unknown.
    """
    off = np.array([one.up + other.up, one.east + other.east]) / 2
    return replace(
        one,
        up=(one.up - other.up) / 2,
        east=(one.east - other.east) / 2,
        covariance=one.covariance + 2 * np.outer(off, off) / one.reach,
    )


def own_noise(turns: Sequence[Floats]) -> float:
    """Give what angles scatter by from frame to frame, radians: by second differences."""
    seconds = [np.diff(own, 2) for own in turns if len(own) > 2]
    if not seconds:
        return LEAST_NOISE
    off = np.abs(np.concatenate(seconds))
    return max(MAD_TO_SIGMA * float(np.median(off)) / float(np.sqrt(6)), float(LEAST_NOISE))


def f_point(freedom: int, chance: float) -> float:
    """Give F of two and n degrees of freedom that is passed with a small chance."""
    return freedom / 2 * float(chance ** (-2 / freedom) - 1)
