"""What a rig's months, sweeps and axis make of one night, for the morning's words."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection, Row

from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.selection import Selection
from runlog.core.story.against_history import Fact
from runlog.core.story.model import Part, PartVerdict
from runlog.core.trends.of_filters import FEWEST_KEPT

A_YEAR = timedelta(days=365)


def facts_of_months(
    connection: Connection, run: Row[Any], lights: Sequence[Frame], settings: Settings
) -> Iterator[Fact]:
    """Find what stands out of a year of nights up to this one, and what the axis costs."""
    if not run.night:
        return
    yield from _of_trends(connection, run, lights)
    yield from _of_axis(connection, lights, settings)


def _of_trends(connection: Connection, run: Row[Any], lights: Sequence[Frame]) -> Iterator[Fact]:
    """Judge all series of the year, as `runlog trends --since ... --until ...` does."""
    from runlog.actions.trends import trends_in
    from runlog.core.story.months import months_facts

    kept = sum(frame.judgement.grade is Grade.KEEP for frame in lights)
    if kept < FEWEST_KEPT:
        return
    since = (date.fromisoformat(run.night) - A_YEAR).isoformat()
    asked = Selection(rigs=(run.rig,), since=since, until=run.night)
    yield from months_facts(trends_in(connection, asked, run.rig_id), run.night)


def _of_axis(connection: Connection, lights: Sequence[Frame], settings: Settings) -> Iterator[Fact]:
    from runlog.actions.alignment import place_of
    from runlog.core.alignment.night import alignment_of
    from runlog.core.story.months import axis_facts

    used = [frame for frame in lights if frame.judgement.grade is not Grade.REJECT]
    if used:
        yield from axis_facts(alignment_of(used, place_of(connection, used, settings)))


def with_sweeps(
    connection: Connection,
    run: Row[Any],
    lights: Sequence[Frame],
    verdicts: Mapping[Part, PartVerdict],
) -> dict[Part, PartVerdict]:
    """Say when to focus again, by the rig's sweeps, after a night that lost its focus."""
    from runlog.core.story.months import lost_focus, temperatures, with_advice

    if not lost_focus(verdicts):
        return dict(verdicts)
    from runlog.actions.focus import focus_of_rig

    found = focus_of_rig(connection, run.rig)
    if found is None:
        return dict(verdicts)
    warm = temperatures(lights, found.slope.temperature_from)
    return with_advice(verdicts, found.advice, warm)
