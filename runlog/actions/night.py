"""The morning summary: story, verdicts, counts, and what the night added."""

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Row

from runlog.actions.months import facts_of_months, with_sweeps
from runlog.actions.night_sky import RunSky, sky_of_run
from runlog.actions.readouts import own_rows
from runlog.actions.rig_settings import settings_of
from runlog.actions.totals import AllTime, added_totals, all_time
from runlog.config import Settings
from runlog.core.frame import Frame, Grade, Judgement, Kind, Verdict
from runlog.core.grading.grade import alone_in
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.ledger.totals import Total
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.sky.horizon import LIMB_DEG
from runlog.core.stars.angles import usual_deg
from runlog.core.story.against_history import facts, with_facts
from runlog.core.story.charged import lost_by_cause
from runlog.core.story.model import Event, GradedLight, Taken
from runlog.core.story.parts import to_check
from runlog.core.story.report import NightEvent, NightReport
from runlog.core.story.tell import tell
from runlog.core.story.turns import Stood
from runlog.errors import UsageError
from runlog.store import notes
from runlog.store import totals as total_store
from runlog.store.angles import angles_before
from runlog.store.choose import everyone
from runlog.store.engine import reading
from runlog.store.history import chosen_for, groups_of, summaries_of_run, usual_of
from runlog.store.listing import paths_of_frames
from runlog.store.settling import frames_of_run

if TYPE_CHECKING:
    from runlog.core.corrections.gathered import Asked

DAY = timedelta(hours=24)
AT_WORK = (Kind.DARK, Kind.BIAS, Kind.FLAT, Kind.FLAT_DARK, Kind.FOCUS)
ANGLES_LEAST = 3  # frames that tell how a camera stood


@dataclass(frozen=True, slots=True)
class Morning:
    """What the rigs did in a night, and how far along everything is by now."""

    reports: Sequence[NightReport]
    totals: Sequence[Total]  # of all time and of what was shot, against the goals

    @property
    def targets(self) -> set[str]:
        """Name what was shot."""
        return {total.target for report in self.reports for total in report.added}


def night_reports(
    engine: Engine, settings: Settings, selection: Selection = EVERYTHING
) -> Sequence[NightReport]:
    """Report whole runs that hold frames of a selection, of the last night if none is named."""
    return morning(engine, settings, selection).reports


def morning(engine: Engine, settings: Settings, selection: Selection = EVERYTHING) -> Morning:
    """Report the runs of a selection as `night_reports` does, with the totals of all time."""
    with reading(engine) as connection:
        nights, whole = nights_in_full(connection, settings, selection)
        return Morning([night.report for night in nights], whole.totals(settings))


@dataclass(frozen=True, slots=True)
class NightInFull:
    """A run's report, and what it was told from."""

    report: NightReport
    lights: Sequence[Frame]
    told: Sequence[GradedLight]
    sky: RunSky
    earlier: History
    policy: Policy


def nights_in_full(
    connection: Connection, settings: Settings, selection: Selection = EVERYTHING
) -> tuple[list[NightInFull], AllTime]:
    """Load whole runs as `night_reports` does, each with its frames and its sky; and all sums."""
    runs = _choose(connection, selection)
    whole = all_time(connection, [run.id for run in runs])
    return [_in_full(connection, run, settings, whole) for run in runs], whole


def _choose(connection: Connection, selection: Selection) -> Sequence[Row[Any]]:
    """Load the runs asked for; those of the last night with light frames if none is named."""
    last = None
    if selection.night is None and selection.run_id is None:
        last = total_store.last_night(connection, selection)
    wanted = selection if last is None else replace(selection, night=last)
    runs = total_store.runs_with_sums(connection, wanted)
    if last is not None:
        return [r for r in runs if r.frames]
    if runs:
        return [r for r in runs if r.night == runs[0].night]
    if selection.asks_nothing:
        raise UsageError("No night is stored yet", cure="Scan your frames: runlog scan FOLDER")
    when = f"of the night of {selection.night} " if selection.night else ""
    rest = " that fit" if replace(selection, night=None) != EVERYTHING else ""
    raise UsageError(
        f"No frames {when}are stored{rest}",
        cure="runlog nights lists the nights there are; a night has its evening's date",
    )


def _in_full(
    connection: Connection, run: Row[Any], settings: Settings, whole: AllTime
) -> NightInFull:
    settings = settings_of(connection, run.rig_id, settings)
    frames = frames_of_run(connection, run.id)
    lights = [frame for frame in frames if frame.is_light]
    paths = paths_of_frames(connection, [frame.identity.id for frame in lights])
    first_path = {frame.key: _path(paths.get(frame.identity.id)) for frame in lights}
    sky = sky_of_run(connection, run.id, run.night, lights, settings)
    own_summaries, groups = summaries_of_run(connection, run.id), groups_of(lights)
    asked = groups.union(summary.group for summary in own_summaries)
    around = chosen_for(connection, run.rig_id, run.night, asked)
    earlier = usual_of(around, run.night, groups)
    told = told_of(lights, earlier, sky.doubt)
    own = own_rows(connection, run.id)
    story = tell(
        told,
        settings.policy,
        sky.dark,
        sky.moon,
        sky.midnight,
        own,
        sky.doubt,
        place=sky.place,
        others=others_of(frames),
        stood=_stood(connection, run, lights),
    )
    found = [
        *facts(own_summaries, around, run.night),
        *facts_of_months(connection, run, lights, settings),
    ]
    verdicts = with_sweeps(connection, run, lights, with_facts(story.verdicts, found))
    kinds = Counter(frame.context.kind for frame in frames)
    taken = kinds.pop(Kind.LIGHT, 0)
    report = NightReport(
        night=run.night or None,
        night_from=total_store.night_sources(connection, run.id).get(run.id),
        rig=run.rig,
        dark=sky.dark,
        pace=story.pace,
        counts={grade: sum(f.judgement.grade is grade for f in lights) for grade in Grade},
        added=added_totals(connection, run.id, settings, whole),
        lost=lost_by_cause(told),
        verdicts=verdicts,
        events=tuple(_with_paths(event, first_path) for event in story.events),
        to_check=tuple(to_check(verdicts)),
        questions=_questions(connection, lights),
        others=tuple(kinds.most_common()),
        doubt=sky.doubt,
        notes=notes.of_night(connection, run.rig_id, run.night),
        copies=taken - len(lights),
    )
    return NightInFull(report, lights, told, sky, earlier, settings.policy)


def _with_paths(event: Event, paths: Mapping[str, str | None]) -> NightEvent:
    return NightEvent(**asdict(event), first_path=paths[event.first], last_path=paths[event.last])


def others_of(frames: Sequence[Frame]) -> list[Taken]:
    """List what else a run took while it was dark: the rig was not idle then."""
    return [
        Taken(f.context.kind, f.header.taken_at_utc, _end(f.header.taken_at_utc, f))
        for f in frames
        if f.context.kind in AT_WORK and f.header.taken_at_utc is not None
    ]


def _end(start: datetime, frame: Frame) -> datetime:
    return start + timedelta(seconds=frame.header.exposure_s or 0.0)


def _stood(connection: Connection, run: Row[Any], lights: Sequence[Frame]) -> dict[str, Stood]:
    """Find how the camera stood in the last night before this one, by the reference it shares."""
    keys = {f.placement.matched_to for f in lights if f.placement.matched_to is not None}
    found = angles_before(connection, run.rig_id, run.night, sorted(keys), ANGLES_LEAST)
    return {
        key: Stood(
            a.night, usual_deg(a.field_deg), usual_deg(a.rotator_deg) if a.rotator_deg else None
        )
        for key, a in found.items()
    }


def _path(files: list[tuple[bytes, bool]] | None) -> str | None:
    return os.fsdecode(files[0][0]) if files else None


def told_of(lights: Sequence[Frame], earlier: History, doubt: str) -> list[GradedLight]:
    """Put the stored verdicts beside their frames; what each was compared with is not stored."""
    alone = alone_in(lights, earlier)
    return [
        GradedLight(
            _in_doubt(frame) if doubt else frame,
            _verdict(frame.judgement, alone=frame.key in alone),
            frame.judgement.grade,
        )
        for frame in lights
    ]


def _in_doubt(frame: Frame) -> Frame:
    """Leave out Moon and twilight; the Sun in the sky is told as what the header says."""
    sun_deg = frame.context.sun_alt_deg
    lit = sun_deg is not None and sun_deg > LIMB_DEG
    context = replace(
        frame.context,
        moon_alt_deg=None,
        moon_sep_deg=None,
        sun_alt_deg=sun_deg if lit else None,
    )
    return replace(frame, context=context)


def _verdict(judgement: Judgement, *, alone: bool) -> Verdict:
    return Verdict(judgement.auto_grade, judgement.faults, judgement.note, alone)


def _questions(connection: Connection, lights: Sequence[Frame]) -> tuple[str, ...]:
    """Gather what is doubtful in the headers, each question once with how many ask it."""
    asking = {
        frame.identity.id: asked
        for frame in lights
        if (asked := (*frame.header.questions, *frame.judgement.questions))
    }
    if not asking:
        return ()
    from runlog.core.corrections.gathered import Raised, gather  # most nights ask nothing

    stored = everyone(connection, {frame.context.night for frame in lights})
    raised = (
        Raised(q.code, q.text, q.cure, sight)
        for sight in stored.near
        for q in asking.get(sight.id, ())
    )
    return tuple(_asked(one) for one in gather(raised, stored))


def _asked(one: "Asked") -> str:
    """Write a question; with the command where it knows the value to set."""
    return f"{one.counted}. To settle it: {' or '.join(one.commands)}" if one.own else one.counted
