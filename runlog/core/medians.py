"""
Medians by sorting: of the values numpy's own median gives, in a fraction of its time.

numpy asks its partition for three places at once, which leaves its vector instructions unused;
a plain sort uses them (`np.sort` of 2,500 rows of 45 float32: 0.2 ms, `np.median`: 1.4 ms).
"""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from runlog.core.robust import MAD_TO_SIGMA

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Float = TypeVar("Float", F32, F64)


def median_of_rows(values: Float) -> Float:
    """
    Median along the last axis.

    Parameters
    ----------
    values : ndarray of float, shape (..., n), n > 0
        Finite: what is not counts as larger than everything, where numpy's median is NaN.

    Returns
    -------
    ndarray, shape (...)
    """
    return middle_of_sorted(np.sort(values, axis=-1))


def median_or_nan(values: Float) -> Float:
    """
    Median along the last axis, as numpy gives it: NaN where a value is.

    Parameters
    ----------
    values : ndarray of float, shape (..., n), n > 0
        Of any unit.

    Returns
    -------
    ndarray, shape (...)
        In the same unit.
    """
    ranked = np.sort(values, axis=-1)  # what is not a number comes last
    middle = middle_of_sorted(ranked)
    middle[np.isnan(ranked[..., -1])] = np.nan
    return middle


def middle_of_sorted(ranked: Float) -> Float:
    """
    Median along the last axis of what is sorted along it.

    Parameters
    ----------
    ranked : ndarray of float, shape (..., n), n > 0
        Sorted along the last axis, of any unit.

    Returns
    -------
    ndarray, shape (...)
        In the same unit.
    """
    half = ranked.shape[-1] // 2
    if ranked.shape[-1] % 2:
        return ranked[..., half].copy()
    return (ranked[..., half - 1] + ranked[..., half]) * ranked.dtype.type(0.5)


def mad_of_sorted(ranked: Float) -> Float:
    """
    Median distance from the median, along the last axis, of what is sorted along it.

    Parameters
    ----------
    ranked : ndarray of float, shape (..., n), n > 0
        Sorted along the last axis, of any unit.

    Returns
    -------
    ndarray, shape (...)
        In the same unit.
    """
    return median_of_rows(np.abs(ranked - middle_of_sorted(ranked)[..., None]))


def median_and_sigma(values: Float) -> tuple[Float, Float]:
    """
    Median and robust standard deviation (1.4826 MAD) along the last axis.

    Parameters
    ----------
    values : ndarray of float, shape (..., n), n > 0
        Finite, of any unit.

    Returns
    -------
    middle, sigma : ndarray, shape (...)
        In the same unit.

    References
    ----------
    MAD x 1.4826 is sigma of a normal distribution: Rousseeuw and Croux 1993, JASA 88, 1273 (from
    memory).
    """
    middle = median_of_rows(values)
    apart = np.abs(values - middle[..., None])
    return middle, median_of_rows(apart) * values.dtype.type(MAD_TO_SIGMA)


def median_of_stack(stack: Float) -> Float:
    """
    Median over the first axis.

    Parameters
    ----------
    stack : ndarray of float, shape (n, ...), n > 0
        Finite, of any unit.

    Returns
    -------
    ndarray, shape (...)
        In the same unit.
    """
    flat = np.array(stack.reshape(len(stack), -1).T, order="C")  # a copy: what is sorted is ours
    flat.sort(axis=-1)
    return middle_of_sorted(flat).reshape(stack.shape[1:])
