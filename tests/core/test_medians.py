"""Medians by sorting, against numpy's own."""

import numpy as np
import pytest

from runlog.core.medians import (
    median_and_sigma,
    median_of_rows,
    median_of_stack,
    median_or_nan,
)


@pytest.mark.parametrize("count", [1, 2, 7, 64])
def test_medians_are_numpys(count):
    """Guards odd and even counts: the same values as numpy.median along either axis."""
    values = np.random.default_rng(count).normal(size=(5, 6, count)).astype(np.float32)
    assert np.array_equal(median_of_rows(values), np.median(values, axis=-1))
    stack = np.moveaxis(values, -1, 0)
    assert np.array_equal(median_of_stack(stack), np.median(stack, axis=0))
    middle, sigma = median_and_sigma(values)
    apart = np.abs(values - middle[..., None])
    assert sigma == pytest.approx(1.4826 * np.median(apart, axis=-1), rel=1e-6)


@pytest.mark.parametrize("turned", [False, True])
def test_what_is_looked_at_stays_as_it_is(turned):
    """Guards the frame: rows are handed in as columns of the turned frame, and are not sorted."""
    light = np.random.default_rng(3).normal(size=(40, 30)).astype(np.float32)
    before = light.copy()
    median_of_stack(light.T[3:20, 5:9] if turned else light[3:20, 5:9])
    median_of_stack(light.T if turned else light)
    assert np.array_equal(light, before)


@pytest.mark.parametrize("size", [7, 8])
def test_median_or_nan_is_numpys(size):
    """Rows that hold something that is no number have no median, as numpy says it."""
    values = np.random.default_rng(3).normal(size=(40, size)).astype(np.float32)
    values[3, 2], values[4, 1], values[5, 0] = np.nan, np.inf, -np.inf
    with np.errstate(invalid="ignore"):
        wanted = np.median(values, axis=1)
    np.testing.assert_array_equal(median_or_nan(values), wanted)
    assert np.isnan(wanted[3])
