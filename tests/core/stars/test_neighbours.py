"""Neighbours by sorting, and Poisson's chance, against scipy."""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.stats import poisson

from runlog.core.stars.match import chance_of_more, pair_up
from runlog.core.stars.neighbours import sorted_points

KINDS = {
    "all over a frame": lambda rng, n: rng.uniform(0, 3000, (n, 2)),
    "in one column": lambda rng, n: np.column_stack([np.full(n, 7.0), rng.uniform(0, 50, n)]),
    "at one place": lambda _, n: np.full((n, 2), 4.0),
    "on whole pixels": lambda rng, n: rng.integers(0, 30, (n, 2)).astype(float),
    "triangles' sides": lambda rng, n: np.sort(rng.uniform(0, 1, (n, 2)), axis=1),
}


@pytest.mark.parametrize("reach", [0.004, 2.5, 40.0])
@pytest.mark.parametrize("kind", KINDS)
def test_the_same_pairs_as_a_tree(kind, reach):
    """Every pair within reach is found once, with its distance, wherever points crowd."""
    rng = np.random.default_rng(1)
    points, queries = (KINDS[kind](rng, n) for n in (200, 150))
    found = sorted_points(points).close(queries, reach)
    near = cKDTree(points).query_ball_point(queries, np.nextafter(reach, 0))
    expected = {(q, p) for q, members in enumerate(near) for p in members}
    assert set(zip(found.query.tolist(), found.point.tolist(), strict=True)) == expected
    assert len(found.query) == len(expected)
    away = np.linalg.norm(points[found.point] - queries[found.query], axis=1)
    np.testing.assert_allclose(found.distance, away)


def test_nothing_is_near_nothing():
    """Empty lists on either side are no trouble."""
    none, some = np.zeros((0, 2)), np.zeros((3, 2))
    assert len(sorted_points(none).close(some, 1.0).query) == 0
    assert len(sorted_points(some).close(none, 1.0).query) == 0


def test_pairs_exclude_one_another():
    """A star that two fall on goes to the nearer one, and the other stays alone."""
    there = np.array([[10.0, 10.0], [12.0, 10.0]])
    here = np.array([[10.4, 10.0], [9.9, 10.0], [12.1, 10.0]])
    pairs = pair_up(1, 0, here, sorted_points(there), 2.5)
    assert sorted(map(tuple, pairs.tolist())) == [(1, 0), (2, 1)]


@pytest.mark.parametrize("expected", [1e-12, 0.003, 0.4, 7.0, 60.0, 900.0])
def test_chance_is_that_of_scipy(expected):
    """Poisson's upper tail to a relative 1e-9, from certain to 1e-300; 0 or 1 beyond."""
    for count in (-1, 0, 2, 5, 12, 40, 120, 700, 1200):
        true = float(poisson.sf(count, expected))
        assert chance_of_more(count, expected) == pytest.approx(true, rel=1e-9, abs=1e-300)
