"""Least squares on places that are dithered: about one place, or on and on.

A field that is dithered about a place scatters; one that is dithered from where it is walks. How
much of either there is shows only in the residuals, so every mixture is tried and counts for what
its restricted likelihood is worth (Patterson and Thompson 1971; from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Of nothing but scatter, against each of the walks: fields are dithered about a place.
PRIOR = 5.0
LEAST_ARCSEC = 0.05  # stored places are no better
# Variance of a step of the walk, in that of the scatter; the last is nothing but a walk.
WALKS = (0.0, 1.0, 30.0, 1e4)


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations of one mixture, constants taken out, divided by its variance."""

    weight: float  # all together 1
    matrix: Floats  # (p, p)
    right: Floats  # (p,)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A mean over mixtures, and its covariance."""

    values: Floats
    covariance: Floats


def normals(columns: Floats, values: Floats, stay: Ints) -> tuple[list[Normal], int]:
    """Set up the equations for `values` (n,), arcsec, by `columns` (n, p) and a constant a stay.

    `stay` (n,) does not fall: frames of one follow one another. Gives the equations with their
    degrees of freedom; none where there is no freedom.
    """
    _, number = np.unique(stay, return_inverse=True)
    constants = (number[:, None] == np.arange(number.max() + 1)).astype(float)
    freedom = len(values) - columns.shape[1] - constants.shape[1]
    if freedom < 1:
        return [], freedom
    least = freedom * LEAST_ARCSEC**2
    found = [_one(columns, values, constants, _covariance(number, walk), least) for walk in WALKS]
    worth = np.array([_likelihood(*one, freedom) for one in found])
    weights = np.exp(worth - worth.max()) * np.where(np.array(WALKS) > 0, 1.0, PRIOR)
    weights /= weights.sum()
    return [
        Normal(float(weight), matrix * freedom / rest, right * freedom / rest)
        for weight, (matrix, right, rest, _) in zip(weights, found, strict=True)
    ], freedom


def _covariance(number: Ints, walk: float) -> Floats:
    """Give what places of frames share: nothing between stays, a walk within."""
    order = np.arange(len(number)) - np.searchsorted(number, number)
    shared = np.minimum(order[:, None], order[None, :]) * (number[:, None] == number[None, :])
    return np.asarray(np.eye(len(number)) + walk * shared)


def _one(
    columns: Floats, values: Floats, constants: Floats, covariance: Floats, least: float
) -> tuple[Floats, Floats, float, float]:
    """Give matrix, right side, squares that are left, and the logarithm of what a mixture costs."""
    lower = np.linalg.cholesky(covariance)
    every = np.linalg.solve(lower, np.column_stack([constants, columns, values]))
    own = every[:, : constants.shape[1]]
    basis = np.linalg.qr(own)[0]
    free = every[:, constants.shape[1] :]
    free = free - basis @ (basis.T @ free)
    slopes, wanted = free[:, :-1], free[:, -1]
    matrix, right = slopes.T @ slopes, slopes.T @ wanted
    rest = wanted - slopes @ (np.linalg.pinv(matrix, hermitian=True) @ right)
    cost = 2 * float(np.log(np.diag(lower)).sum())
    cost += float(np.linalg.slogdet(own.T @ own)[1])
    cost += float(np.log(np.maximum(np.linalg.eigvalsh(matrix), 1e-30)).sum())
    return matrix, right, max(float(rest @ rest), least), cost


def _likelihood(matrix: Floats, right: Floats, rest: float, cost: float, freedom: int) -> float:
    return -(cost + freedom * float(np.log(rest))) / 2


def solved(found: Sequence[Normal], matrix: Floats | None = None, right: Floats | None = None
           ) -> Fitted | None:  # fmt: skip
    """Solve each mixture, with further equations where there are some; None where nothing tells."""
    means, covariances = [], []
    for one in found:
        whole = one.matrix if matrix is None else one.matrix + matrix
        scale = np.sqrt(np.maximum(np.diag(whole), 1e-300))
        scaled = whole / np.outer(scale, scale)
        if np.linalg.cond(scaled) > 1e10:
            return None
        inverse = np.linalg.inv(scaled) / np.outer(scale, scale)
        covariances.append(inverse)
        means.append(inverse @ (one.right if right is None else one.right + right))
    if not means:
        return None
    weights = np.array([one.weight for one in found])
    values = np.asarray(weights @ np.array(means))
    covariance = sum(
        weight * (own + np.outer(mean - values, mean - values))
        for weight, own, mean in zip(weights, covariances, means, strict=True)
    )
    return Fitted(values, np.asarray(covariance))
