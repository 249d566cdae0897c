"""The rig over months: series a run, what moved, and which note is near."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions.run_series import dated_series, series_of
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.trends.kinds import KINDS
from runlog.core.trends.points import Series
from runlog.core.trends.series import Noted, Trend, trends_of_rig, usual
from runlog.core.trends.words import unit_of
from runlog.errors import UsageError
from runlog.store import notes
from runlog.store.engine import reading

TREND_KEYS = (
    "series rig filter setting unit runs first last usual slope_per_year low high p p_adjusted "
    "change_night change_size change_p change_p_adjusted after verdict reason points"
).split()


def trends(
    engine: Engine,
    selection: Selection = EVERYTHING,
    what: Collection[str] = (),
) -> list[Trend]:
    """Judge all series of the rigs chosen; filter and `what` choose among what was judged.

    So that a verdict, which knows how many series were looked at, hangs on no choice of these.
    """
    with reading(engine) as connection:
        found = [
            trend
            for rig_id, (rig, runs) in dated_series(connection, selection).items()
            for trend in trends_in(connection, series_of(rig, runs), rig_id)
        ]
    return [t for t in found if _is_asked(t, selection, what)]


def trends_in(connection: Connection, series: Sequence[Series], rig_id: int) -> list[Trend]:
    """Judge all series of one rig."""
    return trends_of_rig(series, _noted(connection, rig_id))


def names_of(text: str | None) -> tuple[str, ...]:
    """Read the names of series, as in "fwhm,tilt"."""
    if text is None:
        return ()
    parts = (part.strip().lower().replace("_", "-") for part in text.split(","))
    names = tuple(part for part in parts if part)
    unknown = [name for name in names if name not in KINDS]
    if unknown or not names:
        said = f"No series is called {', '.join(unknown)}" if unknown else "No series is named"
        raise UsageError(said, cure=f"There are: {', '.join(KINDS)}")
    return names


def _is_asked(trend: Trend, selection: Selection, what: Collection[str]) -> bool:
    """Series of all filters together have a place beside those of the one that is asked for."""
    series = trend.series
    fits = selection.filter is None or series.filter in ("", selection.filter)
    return fits and (not what or series.kind.name in what)


def _noted(connection: Connection, rig_id: int) -> list[Noted]:
    return [Noted(note.night, note.text) for note in notes.standing(connection, rig_id)]


def row_of(trend: Trend) -> dict[str, Any]:
    """Write a trend with the keys of `runlog.trends/1`; what is not known is null."""
    series, change = trend.series, trend.change
    slope, kendall, points = trend.slope, trend.kendall, trend.series.points
    return {
        "series": series.kind.name,
        "rig": series.rig,
        "filter": series.filter or None,
        "setting": series.setting or None,
        "unit": unit_of(series) or None,
        "runs": len(points),
        "first": points[0].night if points else None,
        "last": points[-1].night if points else None,
        "usual": usual(series),
        "slope_per_year": slope.middle if slope else None,
        "low": slope.low if slope else None,
        "high": slope.high if slope else None,
        "p": kendall.p if kendall else None,
        "p_adjusted": trend.p_adjusted,
        "change_night": change.night if change else None,
        "change_size": change.size if change else None,
        "change_p": change.p if change else None,
        "change_p_adjusted": change.p_adjusted if change else None,
        "after": trend.after,
        "verdict": trend.verdict.value,
        "reason": trend.reason,
        "points": [[point.night, point.value] for point in points],
    }
