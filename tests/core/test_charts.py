"""What charts show: axes read at a glance, values where they belong, nothing drawn of nothing."""

from datetime import timedelta
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.charts import (
    OF_OTHERS,
    TO_GO,
    Axis,
    Curve,
    axis_of,
    goal_bar,
    night_bar,
    star_charts,
    time_line,
)
from runlog.core.frame import Frame, Grade
from runlog.core.story.model import Event
from tests.core.runs import START, altered, changed, clean_run

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


# --- the time line --------------------------------------------------------------------------


def names(frames: list[Frame]) -> list[str]:
    return [panel.name for panel in time_line(frames).panels]


def test_measures_that_are_there_stand_once() -> None:
    """Light is told by matched stars or by counts, temperature with the focuser's position."""
    run = changed(clean_run(12), range(12), focus_pos=9000, focus_c=4.0)
    assert names(run).count("focuser") == 1
    assert "focus °C" not in names(run)
    assert not {"transp.", "flux ×"} <= set(names(run))
    assert "focus °C" in names(changed(run, range(12), focus_pos=None))
    (focuser,) = (p for p in time_line(run).panels if p.name == "focuser")
    assert focuser.beside is not None
    assert focuser.beside.values == (4.0,) * 12


def test_relative_values_are_of_their_own_kind_of_frame() -> None:
    """Twice the usual sky of a filter is 2, whatever another filter's sky is."""
    run = clean_run(12)
    run = changed(run, range(6), filter="L", background_adu=1000.0)
    run = changed(run, range(6, 12), filter="Ha", background_adu=50.0)
    (sky,) = (p for p in time_line(changed(run, [8], background_adu=100.0)).panels
              if p.name == "sky ×")  # fmt: skip
    assert sky.values == (*[1.0] * 8, 2.0, *[1.0] * 3)
    assert sky.axis.level(2.0) > sky.axis.level(1.0)


def test_a_measure_without_a_usual_value_has_no_panel() -> None:
    """Guards a night screen that died of a frame whose sky is zero: nothing is relative to it."""
    run = changed(clean_run(1), [0], background_adu=0.0)
    assert "sky ×" not in names(run)


def test_moments_have_their_places() -> None:
    """The first start is 0, the end of the last exposure 1; hours in between are whole."""
    run = [altered(f, taken_at_utc=START + timedelta(minutes=20 * n), exposure_s=1200.0)
           for n, f in enumerate(clean_run(18))]  # fmt: skip
    chart = time_line([*run, altered(run[0], taken_at_utc=None)])
    assert len(chart.moments) == len(chart.grades) == 18
    assert chart.seconds == 6 * 3600
    assert chart.share(START) == 0
    assert chart.share(START + timedelta(hours=6)) == 1
    few, many = list(chart.hours(2.5)), list(chart.hours(20))
    assert all(0 < chart.share(h) < 1 and h.minute == 0 for h in many)
    assert {b - a for a, b in pairwise(many)} == {timedelta(hours=1)}
    assert len(few) < 2.5 < len(many)
    assert time_line([altered(run[0], taken_at_utc=None)]).moments == ()


def test_events_are_spans_with_plain_names() -> None:
    """What the story calls focus-drift reads as two words."""
    event = Event("focus-drift", START, START + timedelta(hours=1), "a", "b", 9, 0.0, "")
    (span,) = time_line(clean_run(3), [event]).spans
    assert (span.label, span.start, span.end) == ("focus drift", event.start, event.end)


# --- bars and curves ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "whole_h", "parts"),
    [
        ((2, 1, 10), 10, {Grade.KEEP: 2, Grade.DOUBTFUL: 1, TO_GO: 7}),
        ((2, 1, 0), 3, {Grade.KEEP: 2, Grade.DOUBTFUL: 1, TO_GO: 0}),
        ((12, 1, 10), 13, {Grade.KEEP: 12, Grade.DOUBTFUL: 1, TO_GO: 0}),
    ],
)
def test_the_bar_of_a_goal(hours: tuple[int, ...], whole_h: int, parts: dict[str, int]) -> None:
    """The whole is the goal; more than the goal is the whole itself."""
    kept_s, doubtful_s, goal_s = (h * 3600.0 for h in hours)
    bar = goal_bar(kept_s, doubtful_s, goal_s)
    assert bar.whole_s == whole_h * 3600
    assert dict(bar.parts) == {what: h * 3600 for what, h in parts.items()}


def test_the_bar_of_some_rigs_holds_what_others_give() -> None:
    """Kept of mine, of others and to go are the goal together."""
    bar = goal_bar(2.0, 0.0, 10.0, others_s=5.0)
    parts = {Grade.KEEP: 2.0, Grade.DOUBTFUL: 0.0, OF_OTHERS: 5.0, TO_GO: 3.0}
    assert dict(bar.parts) == parts and bar.whole_s == sum(parts.values())


def test_the_bar_of_a_night() -> None:
    """What is ungraded is left open."""
    bar = night_bar(60.0, 30.0, 0.0, 120.0)
    assert (sum(seconds for _, seconds in bar.parts), bar.whole_s) == (90.0, 120.0)


def test_curves_share_one_axis_of_distance() -> None:
    """Growth begins with nothing in no circle; ticks end within the larger reach."""
    near: Any = SimpleNamespace(ring_px=[0.5], light=[1.0], circle_px=[1.0], share=[1.0])
    far: Any = SimpleNamespace(
        ring_px=[0.5, 5], light=[1.0, 0.2], circle_px=[1.0, 7.3], share=[0.6, 1.0]
    )
    rings, growth = star_charts(near, far)
    assert (growth.own.at_px, growth.own.share) == ((0.0, 1.0), (0.0, 1.0))
    assert rings.reach_px == growth.reach_px == 7.3
    assert [words for _, words in growth.distances] == ["0", "2", "4", "6"]
    assert star_charts(near, None)[0].best is None


def test_rings_and_circles_of_a_star_are_what_was_measured() -> None:
    """Guards both curves of a star: rings as they are, circles from nothing at the middle."""
    own = SimpleNamespace(
        ring_px=[0.5, 1.5], light=[1.0, 0.4], circle_px=[1.0, 2.0], share=[0.6, 1]
    )
    rings, circles = star_charts(own, None)
    assert (rings.own, rings.best) == (Curve((0.5, 1.5), (1.0, 0.4)), None)
    assert circles.own == Curve((0.0, 1.0, 2.0), (0.0, 0.6, 1.0))
    assert rings.reach_px == 2.0


def test_a_level_is_its_share_of_the_way_up() -> None:
    """Guards an axis that does not begin at nothing, and values beyond its ends."""
    axis = Axis(0.5, 2, 6)
    assert [axis.level(value) for value in (0.0, 1.0, 2.0, 3.0, 9.0)] == [0.0, 0.0, 0.5, 1.0, 1.0]
