"""The morning summary: story, verdicts, counts, and what the night added."""

import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row

from runlog.actions.readouts import own_rows
from runlog.actions.rig_settings import settings_of
from runlog.actions.totals import added_totals
from runlog.config import Settings
from runlog.core.corrections.gathered import Asked, Raised, gather
from runlog.core.frame import Frame, Grade, Judgement, Kind, Verdict
from runlog.core.grading.grade import alone_in
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.sky.daylight import IN_DOUBT, place_in_doubt
from runlog.core.sky.horizon import LIMB_DEG
from runlog.core.sky.nights import noon_before
from runlog.core.stars.angles import usual_deg
from runlog.core.story.against_history import Fact, facts, with_facts
from runlog.core.story.charged import lost_by_cause
from runlog.core.story.model import Dark, Event, MoonCrossing, Taken, Told
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
from runlog.store.history import chosen_for, of_frames, summaries_of_run
from runlog.store.listing import paths_of_frames
from runlog.store.settling import frames_of_run

DAY = timedelta(hours=24)
AT_WORK = (Kind.DARK, Kind.BIAS, Kind.FLAT, Kind.FLAT_DARK, Kind.FOCUS)
ANGLES_LEAST = 3  # frames that tell how a camera stood


def night_reports(
    engine: Engine, settings: Settings, selection: Selection = EVERYTHING
) -> list[NightReport]:
    """Report whole runs that hold frames of a selection, of the last night if none is named."""
    with reading(engine) as connection:
        runs = _choose(connection, selection)
        return [_report(connection, run, settings) for run in runs]


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


def _report(connection: Connection, run: Row[Any], settings: Settings) -> NightReport:
    settings = settings_of(connection, run.rig_id, settings)
    frames = frames_of_run(connection, run.id)
    lights = [frame for frame in frames if frame.is_light]
    paths = paths_of_frames(connection, [frame.identity.id for frame in lights])
    first_path = {frame.key: _path(paths.get(frame.identity.id)) for frame in lights}
    sky = sky_over(run.night, lights, settings)
    told = _told(connection, run, lights, sky.doubt)
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
        others=_others(frames),
        stood=_stood(connection, run, lights),
    )
    verdicts = with_facts(story.verdicts, _facts(connection, run))
    kinds = Counter(frame.context.kind for frame in frames)
    taken = kinds.pop(Kind.LIGHT, 0)
    return NightReport(
        night=run.night or None,
        night_from=total_store.night_sources(connection, run.id).get(run.id),
        rig=run.rig,
        dark=sky.dark,
        pace=story.pace,
        counts={grade: sum(f.judgement.grade is grade for f in lights) for grade in Grade},
        added=added_totals(connection, run.id, settings),
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


def _facts(connection: Connection, run: Row[Any]) -> Iterator[Fact]:
    """Find what is no fault of a frame, and was otherwise on the rig's other nights."""
    own = summaries_of_run(connection, run.id)
    around = chosen_for(connection, run.rig_id, run.night, [s.group for s in own])
    return facts(own, around, run.night)


def _with_paths(event: Event, paths: Mapping[str, str | None]) -> NightEvent:
    return NightEvent(**asdict(event), first_path=paths[event.first], last_path=paths[event.last])


def _others(frames: Sequence[Frame]) -> list[Taken]:
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


def _told(connection: Connection, run: Row[Any], lights: Sequence[Frame], doubt: str) -> list[Told]:
    """Put the stored verdicts beside their frames; what each was compared with is not stored."""
    alone = alone_in(lights, of_frames(connection, run.rig_id, run.night, lights))
    return [
        Told(
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
    stored = everyone(connection, {frame.context.night for frame in lights})
    raised = (
        Raised(q.code, q.text, q.cure, sight)
        for sight in stored.near
        for q in asking.get(sight.id, ())
    )
    return tuple(_asked(one) for one in gather(raised, stored))


def _asked(one: Asked) -> str:
    """Write a question; with the command where it knows the value to set."""
    return f"{one.counted}. To settle it: {' or '.join(one.commands)}" if one.own else one.counted


@dataclass(frozen=True, slots=True)
class Sky:
    """What Sun and Moon do in a night, where the site is known."""

    dark: Dark | None = None
    midnight: datetime | None = None  # the Sun is lowest
    moon: Sequence[MoonCrossing] = ()
    doubt: str = ""
    place: tuple[float, float] | None = None  # latitude and longitude, degrees


def sky_over(night: str, lights: Sequence[Frame], settings: Settings) -> Sky:
    """Find dark, midnight, moonrise and moonset for the first light's site, else the config's."""
    if place_in_doubt(f.context.sun_alt_deg for f in lights):
        return Sky(doubt=IN_DOUBT)
    headers = (frame.header for frame in lights)
    placed = next((h for h in headers if None not in (h.latitude_deg, h.longitude_deg)), None)
    latitude = placed.latitude_deg if placed else settings.latitude_deg
    longitude = placed.longitude_deg if placed else settings.longitude_deg
    height = (placed.elevation_m if placed else None) or settings.elevation_m
    if latitude is None or longitude is None or not night:
        return Sky()
    from runlog.core.sky.earth import Site
    from runlog.core.sky.ephemeris import dark_window
    from runlog.core.sky.moon import moon_crossings

    site = Site(latitude, longitude, height)
    noon = noon_before(date.fromisoformat(night), longitude)
    moon = moon_crossings(noon, noon + DAY, site)
    place = latitude, longitude
    return Sky(dark_window(noon, site), noon + DAY / 2, moon, place=place)
