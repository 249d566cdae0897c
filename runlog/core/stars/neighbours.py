"""Points near other points, by sorting along one axis: a few hundred stars need no tree."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]


class Close(NamedTuple):
    """Every pair of a query and a point within the reach of one another, by query; (k,) each."""

    query: I64
    point: I64
    distance: F64


@dataclass(frozen=True, slots=True)
class Points:
    """Points in a plane, sorted along the first axis."""

    first: F64  # (n,), ascending
    second: F64
    index: I64  # of each in the order it was given

    def __len__(self) -> int:
        return len(self.index)

    def close(self, queries: F64, reach: float) -> Close:
        """Find all points nearer than a reach to queries of shape (m, 2).

        Parameters
        ----------
        reach : in the unit of the coordinates; small against the spread of the points, for all
            points within it along the first axis are looked at.
        """
        low = np.searchsorted(self.first, queries[:, 0] - reach)
        counts = np.searchsorted(self.first, queries[:, 0] + reach, side="right") - low
        query = np.repeat(np.arange(len(queries)), counts)
        before = np.cumsum(counts) - counts
        at = np.arange(len(query)) - np.repeat(before - low, counts)
        away = np.hypot(self.first[at] - queries[query, 0], self.second[at] - queries[query, 1])
        near = away < reach
        return Close(query[near], self.index[at[near]], away[near])


def sorted_points(points: F64) -> Points:
    """Sort points of shape (n, 2) for searching."""
    order = np.argsort(points[:, 0], kind="stable")
    return Points(points[order, 0], points[order, 1], order)
