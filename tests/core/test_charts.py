"""Axes are read at a glance: round numbers, all different, and every value between them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.charts import axis_of

# What charts show: arcseconds to ADU, and shares of the usual value.
VALUES = st.lists(
    st.floats(min_value=-1e5, max_value=1e6).map(lambda v: round(v, 6)), min_size=1, max_size=30
)


@given(VALUES)
def test_ticks_are_distinct_round_and_enclose_the_values(values: list[float]) -> None:
    """Ticks are whole multiples of 1, 2 or 5 times a power of ten (the usual round steps; common
    practice, no source), no two are written alike, and what is not cut lies between them."""
    axis = axis_of(values)
    ticks = list(axis.ticks())
    words = [text for _, text in ticks]
    assert len(set(words)) == len(words)
    assert float(f"{axis.step:e}".split("e")[0]) in (1.0, 2.0, 5.0)
    assert ticks[0][0] <= min(values) + axis.step * 1e-5
    assert axis.cut or ticks[-1][0] >= max(values) - axis.step * 1e-5
    assert all(0.0 <= axis.level(value) <= 1.0 for value in values)


@given(VALUES)
def test_what_is_written_is_where_it_stands(values: list[float]) -> None:
    """The number beside a tick is the value of that tick, to the last digit written."""
    for value, text in axis_of(values).ticks():
        assert float(text.lstrip("≥")) == pytest.approx(value, abs=1e-9, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "bottom", "top"),
    [
        ([0.972, 1.0, 1.031], "0.97", "1.04"),
        ([0.05, 0.81], "0.0", "1.0"),
        ([1.92, 5.18], "1", "6"),
        ([5985.0, 6112.0], "5950", "6150"),
        ([-12.4, -3.0], "-14", "-2"),
        ([6000.0, 6000.0], "5900", "6100"),
        ([0.0, 0.0], "0", "1"),
        ([2.0, 2.1, 2.2, 40.0], "2", "≥10"),
    ],
)
def test_bottom_and_top(values: list[float], bottom: str, top: str) -> None:
    """Worked by hand: a sixth of the span, rounded up to 1, 2 or 5, laid around the values."""
    words = [text for _, text in axis_of(values).ticks()]
    assert (words[0], words[-1]) == (bottom, top)


@pytest.mark.parametrize(
    ("values", "bottom", "top"),
    [([0.99, 1.0, 1.01], 0.9, 1.1), ([0.3, 1.0], 0.2, 1.0), ([0.0, 0.01], 0.0, 0.15)],
)
def test_a_steady_measure_looks_steady(values: list[float], bottom: float, top: float) -> None:
    """Wobbles of a hundredth do not fill the panel; more than the least span is told as it is."""
    ticks = [value for value, _ in axis_of(values, least=0.2).ticks()]
    assert [ticks[0], ticks[-1]] == pytest.approx([bottom, top])
