"""A season's page and a target's: gathered from what the listings know."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions.forecast import forecast
from runlog.actions.nights import night_rows
from runlog.actions.report import made, page, picture_of
from runlog.actions.totals import growth_rows, total_rows
from runlog.actions.trends import trends
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.page.calendar import days_of
from runlog.core.page.pictures import Chosen, PagePicture
from runlog.core.page.season import (
    Course,
    SeasonSeen,
    TargetSeen,
    nights_of,
    season_sheet,
    target_sheet,
)
from runlog.core.selection import Order, Selection
from runlog.core.sky.moon_phase import lit_share, moon_phase_angles_deg
from runlog.core.targets.sequence_words import split_panel
from runlog.core.times import Zone, times_in
from runlog.core.trends.series import Trend, Trending
from runlog.errors import UsageError
from runlog.store.engine import reading
from runlog.store.review import frame_ids, lines_by_id

# What says most of a rig over months, the most telling first.
FOLLOWED = ("fwhm", "eccentricity", "yield", "sky", "open-shutter", "overhead")
FEWEST_POINTS = 3
MOVED = (Trending.WORSE, Trending.BETTER, Trending.CHANGED)


def season_page(
    engine: Engine,
    settings: Settings,
    selection: Selection,
    name: str,
    zone: Zone,
    now: datetime | None,
) -> dict[str, Any]:
    """Report the nights of a season."""
    runs = night_rows(engine, selection, with_source=False)
    nights = nights_of(runs)
    if not nights:
        raise UsageError(
            f"No frames of the season {name} are stored",
            cure="runlog nights lists the nights there are",
        )
    totals = total_rows(engine, settings, selection)
    shot = [t for t in totals if t["frames"]]
    followed = trends(engine, replace(selection, target=None, filter=None))
    with times_in(zone):
        sheet = season_sheet(
            SeasonSeen(
                name,
                nights,
                shot,
                _moonlight(nights),
                list(_courses(followed)),
                _forecasts(engine, settings, selection, shot),
                [*_noted(runs), *_moved(followed)],
            )
        )
    title = f"Season {name}"
    return page(
        "season", name, title, [_of_rigs(sheet, runs)], made(engine, settings, zone, None, now)
    )


def target_page(
    engine: Engine, settings: Settings, selection: Selection, zone: Zone, now: datetime | None
) -> dict[str, Any]:
    """Report a target over the nights chosen, all of them by default."""
    name = selection.target or ""
    runs = night_rows(engine, selection, with_source=False)
    totals = total_rows(engine, settings, selection)
    with reading(engine) as connection, times_in(zone):
        best = _best(connection, selection, sorted({run["rig"] for run in runs}))
    growth = [_named(row, name) for row in growth_rows(engine, selection)]
    shown = [_named(row, name) for row in totals]
    seen = TargetSeen(
        name,
        nights_of(runs),
        shown,
        growth,
        [_named(row, name) for row in _forecasts(engine, settings, selection, totals)],
        best,
    )
    sheet = _of_rigs(target_sheet(seen), runs)
    return page("target", name, name, [sheet], made(engine, settings, zone, None, now))


def _named(row: Mapping[str, Any], target: str) -> dict[str, Any]:
    """Name a panel's filter with its panel, where a mosaic is shown as one."""
    panel = split_panel(row["target"])[1] if row["target"] != target else None
    return {**row, "filter": f"{row['filter']} {panel}"} if panel else dict(row)


def _of_rigs(sheet: dict[str, Any], runs: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return sheet | {"rig": ", ".join(sorted({run["rig"] for run in runs if run["frames"]})) or None}


def _forecasts(
    engine: Engine,
    settings: Settings,
    selection: Selection,
    totals: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """Forecast the goals of the targets shown, from the whole record of the rigs chosen."""
    shown = {(total["target"], total["filter"]) for total in totals}
    asked = Selection(target=selection.target, rigs=selection.rigs)
    rows = forecast(engine, settings, asked)["rows"]
    return [row for row in rows if (row["target"], row["filter"]) in shown]


def _noted(runs: Sequence[Mapping[str, Any]]) -> list[str]:
    found = [f"{run['night']} {run['rig']}: {text}" for run in runs for text in run["noted"]]
    return sorted(found)


def _moonlight(nights: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """Give the share of the Moon that is lit at each midnight (UTC), all days of the months."""
    days = list(days_of(nights[0]["night"], nights[-1]["night"]))
    midnights = [datetime.combine(day + timedelta(days=1), time(), UTC) for day in days]
    lit = lit_share(moon_phase_angles_deg(midnights))
    return {day.isoformat(): float(share) for day, share in zip(days, lit, strict=True)}


# --- trends -----------------------------------------------------------------------------------


def _courses(followed: Sequence[Trend]) -> Iterator[Course]:
    """Choose, for each kind and rig, the series with the most nights."""
    rigs = sorted({trend.series.rig for trend in followed})
    for name in FOLLOWED:
        for rig in rigs:
            own = [t for t in followed if (t.series.kind.name, t.series.rig) == (name, rig)]
            own = [t for t in own if len(t.series.points) >= FEWEST_POINTS]
            if own:
                most = max(own, key=lambda t: (len(t.series.points), t.series.filter))
                yield _course(most, len(rigs) > 1)


def _course(trend: Trend, several: bool) -> Course:
    series = trend.series
    unit = f", {series.unit or series.kind.unit}" if series.unit or series.kind.unit else ""
    through = f", {series.filter}" if series.filter else ""
    return Course(
        series.kind.name,
        f"{series.kind.label}{unit}{through}",
        series.rig if several else "",
        trend.reason,
        [{"night": point.night, "value": point.value} for point in series.points],
    )


def _moved(followed: Sequence[Trend]) -> list[str]:
    return [
        f"{trend.series.rig}, {trend.series.kind.label}: {trend.reason}"
        for trend in followed
        if trend.verdict in MOVED
    ]


# --- the best frame ----------------------------------------------------------------------------


def _best(connection: Connection, selection: Selection, rigs: Sequence[str]) -> PagePicture | None:
    """Find the sharpest kept frame; of several rigs by its width on the sky, where known."""
    found: list[Frame] = []
    for rig in rigs:
        own = replace(selection, rigs=(rig,), grade=Grade.KEEP.value)
        ids = frame_ids(connection, own, Order("fwhm_px"), 1)
        found += lines_by_id(connection, ids).values()
    measured = [f for f in found if f.measurement.fwhm_px is not None]
    if not measured:
        return None
    on_sky = all(f.fwhm_arcsec is not None for f in measured)
    best = min(
        measured,
        key=lambda f: ((f.fwhm_arcsec if on_sky else f.measurement.fwhm_px) or 0.0, f.key),
    )
    return picture_of(connection, Chosen(best, f"night of {best.context.night}"))
