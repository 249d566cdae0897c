"""What a rig's months, sweeps and axis make of one night, for the morning's words."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Row

from runlog.actions.run_series import (
    dated_points,
    dated_series,
    dated_sweeps,
    refocusing_of,
    series_of,
)
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.selection import Selection
from runlog.core.story.against_history import Fact
from runlog.core.story.model import Part, PartVerdict
from runlog.core.trends.of_filters import FEWEST_KEPT

if TYPE_CHECKING:
    from runlog.core.trends.series import Trend

SEASON, A_YEAR = timedelta(days=120), timedelta(days=365)


def _before(night: str, span: timedelta) -> str:
    return (date.fromisoformat(night) - span).isoformat()


def facts_of_months(
    connection: Connection, run: Row[Any], lights: Sequence[Frame], settings: Settings
) -> Iterator[Fact]:
    """Find what stands out of a year of nights up to this one, and what the axis costs."""
    if not run.night:
        return
    yield from _of_trends(connection, run, lights)
    yield from _of_axis(connection, lights, settings)


def _of_trends(connection: Connection, run: Row[Any], lights: Sequence[Frame]) -> Iterator[Fact]:
    """Judge the series of the year, as `runlog trends --since ... --until ...` does."""
    from runlog.core.story.months import KINDS_TOLD, months_facts
    from runlog.core.trends.gathered import gather

    kept = sum(frame.judgement.grade is Grade.KEEP for frame in lights)
    if kept < FEWEST_KEPT:
        return
    since = _before(run.night, A_YEAR)

    def judged() -> "Sequence[Trend]":
        from runlog.actions.trends import trends_in  # numpy takes a tenth of a second to import

        asked = Selection(since=since, until=run.night, rigs=(run.rig,))
        rig, runs = dated_series(connection, asked)[run.rig_id]
        return trends_in(connection, series_of(rig, runs), run.rig_id)

    points = dated_points(connection, run.rig_id, since, run.night, KINDS_TOLD)
    yield from months_facts(gather(run.rig, points), judged, run.night)


def _of_axis(connection: Connection, lights: Sequence[Frame], settings: Settings) -> Iterator[Fact]:
    from runlog.core.alignment.screen import may_cost

    used = [frame for frame in lights if frame.judgement.grade is not Grade.REJECT]
    if not may_cost(used):
        return
    from runlog.actions.alignment import place_of
    from runlog.core.alignment.night import alignment_of
    from runlog.core.story.months import axis_facts

    yield from axis_facts(alignment_of(used, place_of(connection, used, settings)))


def with_sweeps(
    connection: Connection,
    run: Row[Any],
    lights: Sequence[Frame],
    verdicts: Mapping[Part, PartVerdict],
) -> dict[Part, PartVerdict]:
    """Say when to focus again, by the rig's sweeps, after a night that lost its focus."""
    from runlog.core.story.months import lost_focus, temperatures, with_advice

    if not run.night or not lost_focus(verdicts):
        return dict(verdicts)
    for span in (SEASON, A_YEAR):  # a year of sweeps is asked where a season's are too few
        sweeps = dated_sweeps(connection, run.rig_id, _before(run.night, span), run.night)
        advice, slope = refocusing_of(connection, run.rig, sweeps)
        if advice.each_c is not None:
            break
    return with_advice(verdicts, advice, temperatures(lights, slope.temperature_from))
