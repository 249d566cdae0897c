"""What a rig's months, sweeps and axis make of one night, for the morning's words."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from sqlalchemy import Connection, Row

from runlog.actions.run_series import Dated, dated_series, refocusing_of, series_of
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.selection import Selection
from runlog.core.story.against_history import Fact
from runlog.core.story.model import Part, PartVerdict
from runlog.core.trends.of_filters import FEWEST_KEPT

SEASON, A_YEAR = timedelta(days=120), timedelta(days=365)


class RigYear:
    """A rig's year up to one of its nights, loaded when first asked."""

    def __init__(self, connection: Connection, run: Row[Any]) -> None:
        """Look from a run on, back."""
        self.connection, self.run = connection, run

    @cached_property
    def runs(self) -> Sequence[Dated]:
        """What its runs say, by night."""
        night, rig = self.run.night, self.run.rig
        asked = Selection(since=_before(night, A_YEAR), until=night, rigs=(rig,))
        return dated_series(self.connection, asked).get(self.run.rig_id, ("", []))[1]


def _before(night: str, span: timedelta) -> str:
    return (date.fromisoformat(night) - span).isoformat()


def facts_of_months(year: RigYear, lights: Sequence[Frame], settings: Settings) -> Iterator[Fact]:
    """Find what stands out of a year of nights up to this one, and what the axis costs."""
    if not year.run.night:
        return
    yield from _of_trends(year, lights)
    yield from _of_axis(year.connection, lights, settings)


def _of_trends(year: RigYear, lights: Sequence[Frame]) -> Iterator[Fact]:
    """Judge all series of the year, as `runlog trends --since ... --until ...` does."""
    from runlog.core.story.months import months_facts

    kept = sum(frame.judgement.grade is Grade.KEEP for frame in lights)
    if kept < FEWEST_KEPT:
        return
    series = series_of(year.run.rig, year.runs)

    def judged() -> Sequence[Any]:
        from runlog.actions.trends import trends_in  # numpy takes a tenth of a second to import

        return trends_in(year.connection, series, year.run.rig_id)

    yield from months_facts(series, judged, year.run.night)


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
    year: RigYear, lights: Sequence[Frame], verdicts: Mapping[Part, PartVerdict]
) -> dict[Part, PartVerdict]:
    """Say when to focus again, by the rig's sweeps, after a night that lost its focus."""
    from runlog.core.story.months import lost_focus, temperatures, with_advice

    if not year.run.night or not lost_focus(verdicts):
        return dict(verdicts)
    for span in (SEASON, A_YEAR):  # a year of sweeps is asked where a season's are too few
        since = _before(year.run.night, span)
        runs = [run for run in year.runs if run[0] >= since]
        advice, slope = refocusing_of(year.connection, year.run.rig, runs)
        if advice.each_c is not None:
            break
    return with_advice(verdicts, advice, temperatures(lights, slope.temperature_from))
