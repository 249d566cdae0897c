"""A series as a chart: its nights, its line or its step, and what was noted of the rig."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from statistics import median

from runlog.core.charts import Place, Plot, axis_of
from runlog.core.trends.kinds import SeriesKind
from runlog.core.trends.series import DAYS_A_YEAR, Noted, Trend, Trending
from runlog.core.trends.words import unit_of

MOST_TICKS = 8
DAY_STEPS = (1, 2, 5, 10)
MONTHS_FROM = MOST_TICKS * DAY_STEPS[-1]  # days: a longer series is marked by months
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60)


def trend_chart(trend: Trend, notes: Sequence[Noted] = ()) -> Plot | None:
    """Lay a series out over its nights; None where there is none."""
    series = trend.series
    dots = [(float(_day(p.night)), p.value) for p in series.points]
    if not dots:
        return None
    first, last = dots[0][0], dots[-1][0]
    pad = max((last - first) / 50, 1.0)
    values = [value for _, value in dots]
    marks = [(float(_day(n.night)), n.text) for n in notes if first <= _day(n.night) <= last]
    return Plot(
        _name(series.kind, unit_of(series)),
        (first - pad, last + pad),
        tuple(date_ticks(date.fromordinal(int(first)), date.fromordinal(int(last)))),
        axis_of(values, may_cut=False),
        tuple(dots),
        tuple(_lines(trend, dots)),
        tuple(marks),
    )


def _name(kind: SeriesKind, unit: str) -> str:
    return f"{kind.label}, {unit}" if unit else kind.label


def _day(night: str) -> int:
    return date.fromisoformat(night).toordinal()


def _lines(trend: Trend, dots: Sequence[Place]) -> Iterator[tuple[Place, ...]]:
    """Draw the two levels of a change, the slope of what moves, the middle of what is steady."""
    values = [value for _, value in dots]
    if trend.verdict is Trending.TOO_FEW or trend.slope is None:
        return
    if trend.steps and trend.change is not None:
        for part in (dots[: trend.change.at], dots[trend.change.at :]):
            yield _level([value for _, value in part], part)
    elif trend.verdict is Trending.STEADY:
        yield _level(values, dots)
    else:
        a_day = trend.slope.middle / DAYS_A_YEAR
        start = median(value - a_day * day for day, value in dots)
        yield tuple((day, start + a_day * day) for day in (dots[0][0], dots[-1][0]))


def _level(values: Sequence[float], dots: Sequence[Place]) -> tuple[Place, ...]:
    middle = median(values)
    return (dots[0][0], middle), (dots[-1][0], middle)


def date_ticks(first: date, last: date) -> Iterator[tuple[float, str]]:
    """Mark days of a short series, months of a long one, as few as can be read."""
    days = (last - first).days + 1
    if days < MONTHS_FROM:
        step = next(s for s in DAY_STEPS if days <= MOST_TICKS * s)
        for off in range(0, days, step):
            day = first + timedelta(days=off)
            yield float(day.toordinal()), f"{day.day} {day:%b}"
        return
    begin, end = first.year * 12 + first.month - 1, last.year * 12 + last.month - 1
    count = end - begin + 1
    apart = next((s for s in MONTH_STEPS if count <= MOST_TICKS * s), MONTH_STEPS[-1])
    for month in range(begin, end + 1):
        day = date(month // 12, month % 12 + 1, 1)
        if month % apart == 0 and day >= first:
            yield float(day.toordinal()), f"{day:%b %y}"
