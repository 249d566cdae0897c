"""Medians by sorting, against numpy's own."""

import numpy as np
import pytest

from runlog.measure.medians import median_and_sigma, median_of_rows, median_of_stack


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
