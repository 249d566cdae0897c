"""Student's t against scipy, in the table and beyond it."""

import pytest
from scipy import stats

from runlog.core.student import student_t90, student_t95


@pytest.mark.parametrize("freedom", [*range(1, 60), 100, 300, 1000, 100_000])
def test_students_t_is_that_of_scipy(freedom):
    """Guards both points: to the table's three digits, and what replaces it beyond."""
    error = 0.00051 if freedom <= 30 else 0.0002
    assert student_t95(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=error)
    assert student_t90(freedom) == pytest.approx(stats.t.ppf(0.9, freedom), abs=0.001)


def test_without_freedom_there_is_no_interval():
    """Guards one measurement alone, whose error nothing tells."""
    with pytest.raises(ValueError, match="no degree of freedom"):
        student_t95(0)
