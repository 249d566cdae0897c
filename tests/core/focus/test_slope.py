"""Temperature and filters: Theil and Sen against scipy, intervals that hold, honest unknowns."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import theilslopes

from runlog.core.focus.slope import SweepFocus, offsets_of, slope_of


def found(best, temperature_c, name="L", epoch=0, err=2.0, source="focuser"):
    """One sweep's answer."""
    said_by = source if temperature_c is not None else None
    return SweepFocus(name, epoch, best, err, 2.4 * err, temperature_c, said_by)


def drawn(random, count, per_c=11.6, name="L", scatter=3.0, start=11_000.0):
    """Draw sweeps over a season's temperatures."""
    warm = random.uniform(-4, 14, count)
    best = start + per_c * warm + scatter * random.standard_normal(count)
    return [found(b, t, name) for b, t in zip(best, warm, strict=True)]


@pytest.mark.parametrize("count", [6, 7, 10, 25])
def test_against_scipy(count):
    """scipy.stats.theilslopes: the same slope and the same 95 % interval."""
    sweeps = drawn(np.random.default_rng(count), count)
    slope = slope_of(sweeps)
    theirs = theilslopes([s.best for s in sweeps], [s.temperature_c for s in sweeps], 0.95)
    assert (slope.per_c, slope.low, slope.high) == pytest.approx(theirs[:1] + theirs[2:])


def test_the_interval_holds_the_truth():
    """Of 1,000 drawn seasons of 12 sweeps, half of each filter, at least 92 % (simulation)."""
    random, inside = np.random.default_rng(8), 0
    for _ in range(1000):
        sweeps = drawn(random, 6) + drawn(random, 6, name="Ha", start=11_040.0)
        slope = slope_of(sweeps)
        inside += slope.low <= 11.6 <= slope.high
    assert 0.92 <= inside / 1000 <= 0.985


def test_no_slope_is_not_told_as_one():
    """Where the focus does not move with temperature the interval holds zero (carbon tubes)."""
    slope = slope_of(drawn(np.random.default_rng(3), 12, per_c=0.0))
    assert slope.low < 0 < slope.high
    assert not slope.shown


@pytest.mark.parametrize(
    ("sweeps", "reason"),
    [
        ([found(11_275.7, 13.0), found(11_217.5, 8.0)], "The two give +11.6 steps a degree"),
        ([found(1000 + i, 5 + i / 10) for i in range(9)], "over 4 C"),
        ([found(1000 + i, None) for i in range(9)], "no sweep that tells a focus tells a temp"),
        ([], "no sweep"),
        ([found(1000, 5.0), found(1010, 9.0, "Ha")], "show no slope"),
        ([found(1000 + i, 5.0) for i in range(9)], "at one temperature show no slope"),
    ],
)
def test_unknown(sweeps, reason):
    """Two sweeps leave no freedom, a degree no lever, and no thermometer nothing."""
    slope = slope_of(sweeps)
    assert slope.per_c is None
    assert reason in slope.reason


def test_an_epoch_compares_with_itself():
    """A counter that was set anew by 20,000 steps changes no slope."""
    sweeps = [
        found(11_000 + 12.0 * t + (20_000 if t > 6 else 0), t, epoch=t > 6) for t in range(12)
    ]
    assert slope_of(sweeps).per_c == pytest.approx(12.0)


def test_two_thermometers_are_not_mixed():
    """The air's temperature is not the focuser's: the one that more sweeps go by is used."""
    sweeps = [found(11_000 + 12.0 * t, t) for t in range(8)]
    other = [found(11_500 - 40.0 * t, t, source="air") for t in range(6)]
    slope = slope_of(sweeps + other)
    assert (slope.per_c, slope.sweeps) == (pytest.approx(12.0), 8)


# --- filters --------------------------------------------------------------------------------


def test_an_offset_needs_sweeps_alike_or_a_slope():
    """5 C apart with no slope known tells nothing; at one temperature it does."""
    apart = [found(11_000, 3.0), found(11_100, 8.0, "Ha")]
    (offset,) = offsets_of(apart, slope_of(apart))
    assert offset.steps is None
    assert "5.0 C apart" in offset.reason
    alike = [found(11_000, 8.2), found(11_030, 8.0, "Ha")]
    (offset,) = offsets_of(alike, slope_of(alike))
    assert offset.steps == pytest.approx(30)
    assert "one sweep each" in offset.reason


def test_an_offset_found_over_a_season():
    """40 steps put in are found, and the interval holds them, in at least 92 % of 300 seasons."""
    random, inside = np.random.default_rng(9), 0
    for _ in range(300):
        sweeps = drawn(random, 8) + drawn(random, 5, name="Ha", start=11_040.0)
        (offset,) = offsets_of(sweeps, slope_of(sweeps))
        assert (offset.filter, offset.against) == ("Ha", "L")
        inside += abs(offset.steps - 40) <= offset.err_95
    assert inside / 300 >= 0.92


def test_sweeps_of_two_setups_do_not_compare():
    """After a note on the rig offsets are another's."""
    (offset,) = offsets_of([found(1000, 5.0), found(1100, 5.0, "Ha", epoch=1)], slope_of([]))
    assert offset.steps is None
    assert "different setups" in offset.reason


def test_the_order_of_sweeps_does_not_matter():
    """Slope and offsets are functions of the set."""
    random = np.random.default_rng(5)
    sweeps = drawn(random, 8) + drawn(random, 5, name="Ha", start=11_040.0)
    answers = []
    for _ in range(4):
        random.shuffle(sweeps)
        slope = slope_of(sweeps)
        (offset,) = offsets_of(sweeps, slope)
        answers.append(
            (slope.per_c, slope.low, slope.high, round(offset.steps, 6), round(offset.err_95, 6))
        )
    assert all(a == b for a, b in pairwise(answers))
