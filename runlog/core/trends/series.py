"""One number a run over months: what moved, when, and how sure that is."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from statistics import median

import numpy as np

from runlog.core.trends import words
from runlog.core.trends.kinds import SeriesKind, Worse
from runlog.core.trends.points import FEWEST_FOR_STEP, FEWEST_FOR_TREND, SURE, Point, Series
from runlog.core.trends.statistics import (
    Kendall,
    Slope,
    Values,
    adjusted,
    hamed_rao,
    mann_kendall,
    memory,
    pettitt,
    pettitt_p,
    shift,
    step_place,
    theil_sen,
    usual_step,
)

DAYS_A_YEAR = 365.25
PERHAPS = 0.05  # a step alone, which is told as one that may be none
NEAR_RUNS = 3  # a note so many runs from a step may have brought it
# Over less time a season and a change look alike.
SEASON_DAYS, SEASON_RUNS = 548, 24


class Trending(StrEnum):
    """What a series does."""

    STEADY = "steady"
    WORSE = "worse"
    BETTER = "better"
    CHANGED = "changed"
    TOO_FEW = "too-few"


@dataclass(frozen=True, slots=True)
class Noted:
    """What a person noted of a rig."""

    night: str
    text: str


@dataclass(frozen=True, slots=True)
class Change:
    """A step: the first night after it, by how much, and how likely it is none."""

    night: str
    last_before: str
    size: float
    p: float
    p_adjusted: float = 1.0
    at: int = 0  # the point it begins with


@dataclass(frozen=True, slots=True)
class Trend:
    """A series with what is known of its course; None where it has too few runs to say."""

    series: Series
    verdict: Trending
    reason: str
    slope: Slope | None = None  # a year
    kendall: Kendall | None = None
    p_adjusted: float | None = None
    change: Change | None = None  # the likeliest one, whether or not it holds
    after: str | None = None  # the note that is nearest to a change that holds
    steps: bool = False  # it is told as a change at one night, not as a slope


@dataclass(frozen=True, slots=True)
class _Tested:
    """What the tests say of a series, before it is held against the rig's others."""

    series: Series
    values: Values  # the time of year taken out where that is possible
    swing: bool  # ... and whether it was
    slope: Slope
    kendall: Kendall
    change: Change | None


def trends_of_rig(series: Iterable[Series], notes: Sequence[Noted]) -> list[Trend]:
    """Judge the series of one rig together: of many, some look odd by chance."""
    given = list(series)
    tested = {i: _tested(s) for i, s in enumerate(given) if len(s.points) >= FEWEST_FOR_TREND}
    moving = dict(zip(tested, adjusted([t.kendall.p for t in tested.values()]), strict=True))
    stepped = {i: t.change for i, t in tested.items() if t.change is not None}
    stepping = dict(zip(stepped, adjusted([c.p for c in stepped.values()]), strict=True))
    return [
        _judged(tested[i], moving[i], stepping.get(i), notes)
        if i in tested
        else Trend(s, Trending.TOO_FEW, words.too_few(len(s.points), s.left_out))
        for i, s in enumerate(given)
    ]


def _tested(series: Series) -> _Tested:
    years = np.array([_day(p.night) / DAYS_A_YEAR for p in series.points])
    raw = np.array([p.value for p in series.points])
    values, swing = _without_season(years, raw, series.kind)
    inflation = inflation_of(values)
    return _Tested(
        series,
        values,
        swing,
        theil_sen(years, values, inflation),
        mann_kendall(values, inflation),
        _change(series, values),
    )


def inflation_of(values: Values) -> float:
    """Tell by what correlation widens the scatter of a trend.

    Hamed and Rao see only what stands out of a short series, and claim three times too many; the
    variance of a sum of values with one correlation r of neighbours is (1 + r) / (1 - r) larger.
    """
    order = np.arange(len(values), dtype=np.float64)
    step = usual_step(values)
    r = memory(values - step * order)
    return max(hamed_rao(values, step), (1 + r) / (1 - r))


def _day(night: str) -> int:
    return date.fromisoformat(night).toordinal()


def _without_season(years: Values, values: Values, kind: SeriesKind) -> tuple[Values, bool]:
    """Take a yearly swing out, fitted together with a slope, where it can be told from one."""
    long = (years[-1] - years[0]) * DAYS_A_YEAR >= SEASON_DAYS and len(values) >= SEASON_RUNS
    if not (kind.season and long):
        return values, False
    turn = 2 * np.pi * years
    swing = np.column_stack([np.sin(turn), np.cos(turn)])
    rest = np.column_stack([np.ones_like(years), years - years.mean()])
    fitted = np.linalg.lstsq(np.hstack([rest, swing]), values, rcond=None)[0]
    return values - swing @ fitted[2:], True


def _change(series: Series, values: Values) -> Change | None:
    if len(values) < FEWEST_FOR_STEP:
        return None
    p, points = pettitt_p(values), series.points
    at = step_place(values) if p < PERHAPS else pettitt(values).at
    size = shift(values[:at], values[at:])
    return Change(points[at].night, points[at - 1].night, size, p, at=at)


def _judged(
    this: _Tested, p_adjusted: float, step_p: float | None, notes: Sequence[Noted]
) -> Trend:
    change = this.change and replace(this.change, p_adjusted=1.0 if step_p is None else step_p)
    moves, steps = p_adjusted < SURE, change is not None and change.p_adjusted < SURE
    told_step = change is not None and steps and (not moves or _is_step(this, change))
    if change is not None and told_step:
        near = _note_near(this.series.points, change, notes)
        verdict, after = Trending.CHANGED, None if near is None else near.text
        reason = words.changed(this.series, change, near)
    else:
        verdict, after = _way(this, moves=moves), None
        reason = words.moved(this.series, this.slope, p_adjusted, verdict is Trending.STEADY)
    if change is not None and verdict is Trending.STEADY and change.p < PERHAPS:
        reason = words.together(reason, words.perhaps(this.series, change))
    doubts = _season_words(this, verdict)
    told = words.together(reason, doubts, *this.series.left_out)
    return Trend(
        this.series, verdict, told, this.slope, this.kendall, p_adjusted, change, after, told_step
    )  # fmt: skip


def _is_step(this: _Tested, change: Change) -> bool:
    """Tell whether a step leaves less over than a line does, by absolute residuals."""
    order = np.arange(len(this.values), dtype=np.float64)
    line = this.values - usual_step(this.values) * order
    parts = this.values[: change.at], this.values[change.at :]
    left = sum(float(np.abs(part - np.median(part)).sum()) for part in parts)
    return left <= float(np.abs(line - np.median(line)).sum())


def _way(this: _Tested, *, moves: bool) -> Trending:
    worse = this.series.kind.worse
    if not moves:
        return Trending.STEADY
    if worse is Worse.NEITHER:
        return Trending.CHANGED
    return Trending.WORSE if (this.kendall.s > 0) == (worse is Worse.UP) else Trending.BETTER


def _season_words(this: _Tested, verdict: Trending) -> str:
    if not this.series.kind.season or verdict is Trending.STEADY:
        return ""
    return words.SEASON_OUT if this.swing else words.SEASON_IN


def _note_near(points: Sequence[Point], change: Change, notes: Sequence[Noted]) -> Noted | None:
    """Find the note nearest to a step, counted in runs: nights under cloud change nothing."""
    nights = [p.night for p in points]
    away = [(abs(sum(n < note.night for n in nights) - change.at), note) for note in notes]
    near = [(runs, -_day(note.night), note.text, note) for runs, note in away if runs <= NEAR_RUNS]
    return min(near, key=lambda found: found[:3])[3] if near else None


def usual(series: Series) -> float | None:
    """Give the middle of a series."""
    return median(p.value for p in series.points) if series.points else None


def name_of(trend: Trend) -> str:
    """Name a series: what is followed, filter, setting."""
    parts = (trend.series.kind.label, trend.series.filter, trend.series.setting)
    return ", ".join(part for part in parts if part)


def fullest(found: Iterable[Trend]) -> list[Trend]:
    """Choose of each kind the series that has most nights."""
    most: dict[str, Trend] = {}
    for trend in found:
        kind = trend.series.kind.name
        if kind not in most or len(trend.series.points) > len(most[kind].series.points):
            most[kind] = trend
    return list(most.values())


def unknown_lines(found: Iterable[Trend]) -> list[str]:
    """Say of each kind once why nothing can be said: of the series that has most nights.

    Those that only need more nights are told in one line; what leaves nights out has a cure.
    """
    most = fullest(found)
    waiting = [t for t in most if t.series.nights < FEWEST_FOR_TREND]
    lines = [f"{name_of(t)}: {t.reason}" for t in most if t not in waiting]
    if not waiting:
        return lines
    nights = max(len(t.series.points) for t in waiting)
    return [*lines, words.few_nights([t.series.kind.label for t in waiting], nights)]
