"""What is said of a series: verdicts, notes, seasons, too few nights."""

from datetime import date, timedelta

import numpy as np
import pytest

from runlog.core.trends.kinds import KINDS
from runlog.core.trends.points import Point, Series
from runlog.core.trends.series import Noted, Trending, trends_of_rig
from runlog.core.trends.sparkline import sparkline
from tests.core.trends.test_statistics import steady

FIRST = date(2026, 1, 5)


def series_of(values, kind="tilt", every_days=3):
    """Make a series with a value every so many days."""
    nights = [(FIRST + timedelta(days=every_days * i)).isoformat() for i in range(len(values))]
    points = tuple(Point(n, float(v)) for n, v in zip(nights, values, strict=True))
    return Series(KINDS[kind], "a rig", points=points)


def judged(values, kind="tilt", notes=(), every_days=3):
    """Judge a series that is the rig's only one."""
    (found,) = trends_of_rig([series_of(values, kind, every_days)], notes)
    return found


def stepped(at=30, size=4.0, n=60):
    """Draw a steady series with a step."""
    (values,) = steady(1, n, 0.3, 4)
    values[at:] += size
    return values


def night(i, every_days=3):
    """Name the night of the i-th point."""
    return (FIRST + timedelta(days=every_days * i)).isoformat()


def test_a_step_is_named_by_the_note_beside_it():
    """The night, the size and the note nearest to it, counted in nights that were used."""
    notes = [Noted(night(3), "cleaned"), Noted(night(29), "collimated"), Noted(night(50), "moved")]
    found = judged(stepped(), notes=notes)
    assert found.verdict is Trending.CHANGED
    assert (found.change.night, found.change.last_before) == (night(30), night(29))
    assert found.change.size == pytest.approx(4.0, abs=0.5)
    assert found.after == "collimated"
    assert f"after: collimated ({night(29)})" in found.reason


@pytest.mark.parametrize("notes", [(), (Noted(night(20), "cleaned"),)])
def test_a_step_that_nothing_explains_says_so(notes):
    """A note ten nights away explains nothing, and is not named."""
    found = judged(stepped(), notes=notes)
    assert found.verdict is Trending.CHANGED
    assert found.after is None
    assert "nothing is noted of the rig within three nights of it" in found.reason


def test_a_note_in_a_gap_of_months_is_beside_the_step():
    """A gap of five months in which the mirror was washed: by runs the note is at the step."""
    one, two = series_of(stepped()).points[:30], series_of(stepped()).points[30:]
    later = [
        Point((date.fromisoformat(p.night) + timedelta(days=150)).isoformat(), p.value) for p in two
    ]
    gap = Series(KINDS["tilt"], "a rig", points=(*one, *later))
    noted = Noted((date.fromisoformat(one[-1].night) + timedelta(days=70)).isoformat(), "washed")
    (found,) = trends_of_rig([gap], [noted])
    assert found.after == "washed"


def test_worse_and_better_are_the_kind_s_own():
    """More tilt is worse, a darker sky is better; a level that creeps is neither."""
    climb = steady(1, 60, 0.0, 5)[0] * 0.3 + np.linspace(0, 3, 60)
    assert judged(climb).verdict is Trending.WORSE
    assert judged(-climb).verdict is Trending.BETTER
    assert judged(climb, "sky").verdict is Trending.BETTER
    assert judged(climb, "bias-level").verdict is Trending.CHANGED


def test_a_climb_is_no_step():
    """A straight climb passes Pettitt's test as well; the line leaves less over."""
    found = judged(np.linspace(0, 3, 60) + 0.3 * steady(1, 60, 0.0, 6)[0])
    assert found.change.p < 0.01
    assert found.verdict is Trending.WORSE
    assert found.slope.low < 3 / (59 * 3 / 365.25) < found.slope.high


def test_steady_says_how_well_it_is_known():
    """Nothing found is said with the slopes that may hide in the scatter."""
    found = judged(0.3 + 0.01 * steady(1, 60, 0.3, 7)[0])
    assert found.verdict is Trending.STEADY
    assert found.reason.startswith("no trend is seen; it may be ")


@pytest.mark.parametrize(
    ("n", "words"),
    [
        (0, "unknown, because no night tells it"),
        (1, "unknown, because only 1 night tells it, and a trend needs 12"),
        (11, "unknown, because only 11 nights tell it, and a trend needs 12"),
    ],
)
def test_too_few_nights_are_unknown(n, words):
    """Under 12 nights nothing is said but that."""
    found = judged(np.arange(n))
    assert (found.verdict, found.reason) == (Trending.TOO_FEW, words)
    assert found.slope is None
    assert found.change is None


def test_a_change_needs_twenty_nights():
    """With 19 nights a step is not looked for, however large; a slope is."""
    assert judged(stepped(10, 9.0, 19)).change is None
    assert judged(stepped(10, 9.0, 20)).change is not None


def test_many_series_are_judged_together():
    """What alone holds at 1 % is, beside forty steady series, what chance gives one of."""
    drawn = steady(40, 60, 0.0, 8) + np.linspace(0, 1.2, 60)
    alone = {i: judged(x) for i, x in enumerate(drawn)}
    odd = next(i for i, t in alone.items() if t.kendall.p < 0.01 < 8 * min(t.kendall.p, t.change.p))
    assert alone[odd].verdict is not Trending.STEADY
    others = [series_of(x, "overhead") for x in steady(40, 60, 0.0, 9)]
    found = trends_of_rig([series_of(drawn[odd]), *others], [])
    assert {t.verdict for t in found} == {Trending.STEADY}


def test_a_yearly_swing_is_no_change():
    """Two years of seeing that is worse each winter: the swing is taken out before all tests."""
    n = 120
    days = np.arange(n) * 6.5
    swing = 3.0 + 0.6 * np.cos(2 * np.pi * days / 365.25)
    values = swing + 0.1 * steady(1, n, 0.2, 10)[0]
    nights = [(FIRST + timedelta(days=int(d))).isoformat() for d in days]
    points = tuple(map(Point, nights, map(float, values)))
    (found,) = trends_of_rig([Series(KINDS["fwhm"], "a rig", points=points)], [])
    assert found.verdict is Trending.STEADY
    (raw,) = trends_of_rig([Series(KINDS["tilt"], "a rig", points=points)], [])
    assert raw.change.p < found.change.p


def test_half_a_year_cannot_tell_a_season():
    """What moves over half a year is told with the doubt that a season looks the same."""
    found = judged(np.linspace(2, 3, 60) + 0.1 * steady(1, 60, 0.0, 11)[0], "fwhm")
    assert found.verdict is Trending.WORSE
    assert "a season looks the same" in found.reason


def test_a_series_of_one_value_is_steady():
    """A camera that counts no hot pixel for a year divides nothing by zero."""
    found = judged(np.zeros(60), "hot-pixels")
    assert found.verdict is Trending.STEADY
    assert (found.slope.low, found.slope.middle, found.slope.high) == (0, 0, 0)


def test_the_sparkline_keeps_gaps():
    """Cells are spans of days: low to high, blank where no night was."""
    points = [("2026-01-01", 1.0), ("2026-01-02", 8.0), ("2026-01-04", 4.5)]
    assert sparkline(points) == "▁█ ▅"
    assert sparkline([("2026-01-01", 2.0)]) == "▄"
    assert sparkline([]) == ""
    year = [((FIRST + timedelta(days=i)).isoformat(), float(i)) for i in range(365)]
    assert len(sparkline(year)) == 24
    assert sparkline(year) == "".join(sorted(sparkline(year)))
