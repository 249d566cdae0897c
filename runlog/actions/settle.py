"""Settle a run: context, matches, kinds, grades, marks and sums, written in one go."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine

from runlog.actions.changes import Moves
from runlog.actions.compare_run import auxiliary_set_apart, questions
from runlog.actions.context import ZeroLevels, lit_site, sky_of
from runlog.actions.depths import Depths, RunsDepth
from runlog.actions.matcher import Matcher
from runlog.actions.nameless import gather_behind
from runlog.actions.night_sky import site_of, sky_of_night
from runlog.actions.open import Report, silent
from runlog.actions.readouts import compare_rows
from runlog.actions.recurring import Trails
from runlog.actions.rig_settings import settings_of, stands
from runlog.actions.run_series import fill_in
from runlog.actions.settings_digest import same_site, settings_digest
from runlog.config import Settings
from runlog.core.frame import Frame, Grade, Kind, Question, Verdict
from runlog.core.grading.baseline import sky_rate_at_zenith
from runlog.core.grading.grade import grade_run
from runlog.core.grading.history import History
from runlog.core.grading.policy import extinction_mag
from runlog.core.grading.run_usual import RunUsual
from runlog.core.grading.summary import RunSummary, summaries
from runlog.core.grading.usable import usable
from runlog.core.ledger.totals import RunSum, sum_run
from runlog.core.sky.daylight import sky_as_known
from runlog.core.sky.night_sky import NightSky
from runlog.core.trends.run_series import RunSeries, series_of_run
from runlog.errors import StoreError
from runlog.store import depth as depth_store
from runlog.store import history
from runlog.store import marks as mark_store
from runlog.store import runs as run_store
from runlog.store.damage import refuse_damaged
from runlog.store.depth import Ties
from runlog.store.engine import reading, write, writing
from runlog.store.mapping import changed_columns
from runlog.store.marks import Mark
from runlog.store.night_sky import put_night_sky
from runlog.store.run_series import get_series, put_series
from runlog.store.runs import RunState
from runlog.store.settling import frames_of_run, write_settled
from runlog.store.shown import look_anew, remember_shown, runs_that_changed

if TYPE_CHECKING:
    from runlog.core.sky.extinction import Extinction

ROUNDS = 20  # settling one run may show that another is out of date, and scans go on meanwhile
ZEROS = (Kind.BIAS, Kind.DARK)


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame as it was stored, and with everything settling found out about it."""

    before: Frame
    frame: Frame
    verdict: Verdict
    mark: Mark | None
    extinction: "Extinction | None"  # by which its transparency was reckoned

    @property
    def is_light(self) -> bool:
        """Tell whether the frame is a light that counts for its exposure."""
        return self.frame.is_light


class Known:
    """What one settling remembers from run to run, so that it is looked up once."""

    def __init__(self, changed: Sequence[int] = ()) -> None:
        """Settle with some runs that show other runs something else than before."""
        self.changed = changed
        self.matcher, self.trails, self.zeros = Matcher(changed), Trails(changed), ZeroLevels()
        self.depths = Depths(self.matcher)
        self.airmass: dict[str, float | None] = {}  # of references, by key
        self.skies: dict[str, float | None] = {}  # of references, by key


@dataclass(frozen=True, slots=True)
class Settling:
    """One run being settled: where to look, by which settings, and what is known already."""

    connection: Connection
    run: RunState
    settings: Settings
    known: Known
    stands: bool = False  # nothing changed of what its frames are compared with
    hears: bool = False  # nor of its own frames and marks: only other nights say something else


@dataclass(frozen=True, slots=True)
class Graded:
    """The frames of a run with their grades, and what these rest on."""

    judged: list[Judged]
    lights: list[Frame]  # as they were graded
    usual: RunUsual
    marks: Mapping[int, Mark]
    history: History
    kept: Collection[str]  # by key, without a look at other nights


@dataclass(frozen=True, slots=True)
class AddedUp:
    """What a run's frames come to, and what it says to others."""

    sums: list[RunSum]
    summaries: tuple[RunSummary, ...]
    zeros: str
    cameras: list[str]
    depth: RunsDepth
    ties: Ties
    sky: NightSky | None
    series: RunSeries | None  # None where it is as stored
    asking: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that is written when a run is settled."""

    before: list[Frame]  # as they were stored
    after: list[Frame]
    updates: list[dict[str, Any]]
    history: History  # that the grades rest on
    usual: RunUsual  # among its lights
    added_up: AddedUp | None  # None where it is as stored


def settle_all(
    engine: Engine,
    settings: Settings,
    report: Report = silent,
    moves: Moves | None = None,
) -> int:
    """Settle every run that is not up to date, also those a crash left behind.

    `moves` hears of grades that change in nights which are settled because of others.
    """
    settled = 0
    moves = moves or Moves()
    gather_behind(engine)
    with reading(engine) as connection:
        moves.begin(run.id for run in run_store.dirty_runs(connection))
    for _ in range(ROUNDS):
        if not _any_dirty(engine):
            fill_in(engine, report)
            return settled
        compare_rows(engine)
        dirty, known = _dirty(engine)
        for done, run in enumerate(dirty):
            report(done, len(dirty))
            settled += _settle(engine, run, settings, known, moves)
        report(len(dirty), len(dirty))
    if not settled:
        refuse_damaged(engine)
        raise StoreError(
            "The nights kept changing while they were graded",
            cure="Another scan is at work; run the command again when it has ended",
        )
    return settled


def _any_dirty(engine: Engine) -> bool:
    with reading(engine) as connection:
        return bool(run_store.dirty_runs(connection))


def _dirty(engine: Engine) -> tuple[list[RunState], Known]:
    """List the runs to settle, with those that another night's frames put out of date.

    Their frames are matched to a frame best no more, or a line of theirs turns out to recur.
    References are found in the same view of the database as the runs: what is stored later
    makes its run dirty again and is settled in the next round, by the references of then.
    """
    with reading(engine) as connection:
        dirty = run_store.dirty_runs(connection)
        known = Known(runs_that_changed(connection))
        outdated: set[int] = set()
        for rig_id in sorted({run.rig_id for run in dirty} if known.changed else ()):
            outdated |= known.matcher.outdated(connection, rig_id)
            outdated |= known.depths.bases.outdated(connection, rig_id)
            outdated |= known.trails.runs_shown_otherwise(connection, rig_id)
        outdated -= set(known.changed)
        others = [run for run in run_store.all_runs(connection) if run.id in outdated]
    if not outdated:
        return dirty, known
    with writing(engine) as connection:
        run_store.touch_runs(connection, outdated)
        look_anew(connection, outdated)
        touched = (replace(run, revision=run.revision + 1, hears=False) for run in others)
        seen = {*dirty, *others, *touched}
        return [run for run in run_store.dirty_runs(connection) if run in seen], known


def _settle(engine: Engine, run: RunState, settings: Settings, known: Known, moves: Moves) -> bool:
    """Settle one run as it was listed; False when it changed since, or another settled it."""
    with reading(engine) as connection:
        if run_store.dirty_run(connection, run.id) != run:
            return False
        moves.look(connection, run)
        used = settings_of(connection, run.rig_id, settings)
        same = run.settled_by == settings_digest(used)
        hears = same and run.hears and run.id not in known.changed
        stands = hears or (same and not known.changed)
        outcome = _compute(Settling(connection, run, used, known, stands, hears))

    def store(connection: Connection) -> bool:
        written = _store(connection, run, used, outcome)
        if written:
            moves.wrote(connection, run)
        return written

    if not write(engine, store):
        return False
    known.depths.bases.stored(run.rig_id)
    moves.hear(run, outcome)
    return True


def _store(connection: Connection, run: RunState, used: Settings, outcome: Outcome) -> bool:
    """Write a settled run, unless it or what its rig is graded by changed meanwhile."""
    if not stands(connection, run.rig_id, used) or not _history_stands(connection, run, outcome):
        return False
    settled_by, form = settings_digest(used), used.depth_form.value
    sums = outcome.added_up.sums if outcome.added_up is not None else None
    written = write_settled(connection, run, outcome.updates, sums, settled_by, form)
    if written and outcome.added_up is not None:
        _remember(connection, run, outcome.added_up)
    return written


def _history_stands(connection: Connection, run: RunState, outcome: Outcome) -> bool:
    """Tell whether other nights still say what the grades rest on: another may have settled them.

    A run that is dirty already is not marked again when they change.
    """
    lights = [frame for frame in outcome.after if frame.is_light]
    now = history.of_frames(connection, run.rig_id, run.night, lights)
    return now == dict(outcome.history)


def _remember(connection: Connection, run: RunState, now: AddedUp) -> None:
    history.put_summaries(connection, run.id, now.summaries)
    history.put_zeros(connection, run.id, now.zeros, now.cameras)
    depth_store.put_run(connection, run.id, now.depth.skies, now.depth.lights)
    depth_store.put_ties(connection, now.ties)
    put_night_sky(connection, run.id, now.sky)
    if now.series is not None:
        put_series(connection, run.id, now.series)
    remember_shown(connection, run.id, now.asking)


def _compute(this: Settling) -> Outcome:
    graded = _grade(this)
    before, after = [j.before for j in graded.judged], [j.frame for j in graded.judged]
    added_up = None
    if not (this.hears and _same_grades(before, after)):
        after, added_up = _add_up(this, graded, before, after)
    updates = list(_updates(before, after))
    return Outcome(before, after, updates, graded.history, graded.usual, added_up)


def _same_grades(before: Sequence[Frame], after: Sequence[Frame]) -> bool:
    return all(
        old.judgement.grade is new.judgement.grade for old, new in zip(before, after, strict=True)
    )


def _add_up(
    this: Settling, graded: Graded, before: Sequence[Frame], now: Sequence[Frame]
) -> tuple[list[Frame], AddedUp]:
    """Weigh the frames of a run, as they are graded now, and add up what it comes to."""
    after, depth = this.known.depths.of_run(
        this.connection,
        this.run.rig_id,
        now,
        this.settings.policy,
        stands=this.stands,
        usual=graded.usual,
    )
    lights = [frame for frame in after if frame.is_light]
    sums, summed = sum_run(lights), _summed_up(this, graded)
    stored = get_series(this.connection, this.run.id)
    series = series_of_run(after, summed, sums, stored)
    return after, AddedUp(
        sums=sums,
        summaries=summed,
        zeros=_zero_levels(before),
        cameras=sorted({f.identity.camera_key for f in before if _tells_zero(f)}),
        depth=depth,
        ties=this.known.depths.bases.fresh(this.run.rig_id),
        sky=sky_of_night(
            this.connection, this.run.id, this.run.night, site_of(lights, this.settings)
        ),
        series=series if series != stored else None,
        asking=sum(bool(f.header.questions or f.judgement.questions) for f in after),
    )


def _updates(before: Sequence[Frame], after: Sequence[Frame]) -> Iterator[dict[str, Any]]:
    """Columns of frames that are no longer what is stored, with the frame's id."""
    for old, new in zip(before, after, strict=True):
        if changed := changed_columns(old, new):
            yield changed | {"frame_id": old.identity.id}


def judge_run(
    connection: Connection, run: RunState, settings: Settings, known: Known
) -> list[Judged]:
    """Look at all frames of a run and grade its lights as its rig is, writing nothing."""
    used = settings_of(connection, run.rig_id, settings)
    return _grade(Settling(connection, run, used, known)).judged


def _grade(this: Settling) -> Graded:
    """Judge each frame of a run.

    What is usual among the run's lights is found once, for all that is asked of them.
    """
    stored = frames_of_run(this.connection, this.run.id)
    if not stored:
        return Graded([], [], RunUsual([]), {}, {}, ())
    frames, extinctions = _looked_at(this, stored)
    lights = sky_as_known([frame for frame in frames if frame.is_light])
    usual = RunUsual(lights)
    asked = [frame.judgement.questions for frame in stored]
    if not this.hears:
        asked = questions(frames, [lit_site(f, this.settings) for f in frames], usual.covered)
    earlier = history.of_frames(this.connection, this.run.rig_id, this.run.night, lights)
    verdicts = grade_run(lights, this.settings.policy, earlier, usual)
    marks = mark_store.standing_marks(this.connection, this.run.id)
    judged = []
    for before, frame, own in zip(stored, frames, asked, strict=True):
        verdict = verdicts.get(frame.key) or _not_judged(frame)
        mark = marks.get(before.identity.id)
        after = _graded(frame, verdict, mark, own)
        used = extinctions.get(frame.context.filter)
        judged.append(Judged(before, after, verdict, mark, used))
    kept = [] if earlier else [key for key, v in verdicts.items() if v.grade is Grade.KEEP]
    return Graded(judged, lights, usual, marks, earlier, kept)


def _looked_at(
    this: Settling, stored: Sequence[Frame]
) -> tuple[list[Frame], dict[str, "Extinction"]]:
    """Set frames beside what they are compared with, as far as this may be another now."""
    placed = _standing(this, stored) if this.hears else _placed(this, stored)
    extinctions = {} if this.stands else _extinctions(placed, this.known)
    light = _Light(this, extinctions)
    compared = [light.compared(frame) for frame in placed]
    return (compared if this.hears else auxiliary_set_apart(compared)), extinctions


def _summed_up(this: Settling, run: Graded) -> tuple[RunSummary, ...]:
    """Sum a run up for other nights, by its own frames, physics and marks alone."""
    marked = ((f.key, run.marks.get(f.identity.id)) for f in run.lights)
    said = {key: Grade(mark.grade) for key, mark in marked if mark is not None}
    policy, measured = this.settings.policy, run.usual.measured
    return summaries(run.lights, usable(measured, policy, said, run.usual, run.kept))


def _graded(
    frame: Frame, verdict: Verdict, mark: Mark | None, asked: tuple[Question, ...]
) -> Frame:
    """Judge a frame: a person's mark outranks the automatic grade."""
    judgement = replace(
        frame.judgement,
        auto_grade=verdict.grade,
        grade=Grade(mark.grade) if mark else verdict.grade,
        graded_by="person" if mark else "auto",
        faults=verdict.faults,
        note=(mark.note if mark else None) or verdict.note,
        questions=asked,
    )
    return replace(frame, judgement=judgement)


# --- what may differ from what is stored -----------------------------------------------------


def _placed(this: Settling, stored: Sequence[Frame]) -> list[Frame]:
    """Give each frame its sky, its zero level, and its place on the reference."""
    connection, rig_id, known = this.connection, this.run.rig_id, this.known
    moved = not same_site(this.run.settled_by, this.settings)
    skies = sky_of(stored, this.settings, moved=moved)
    zeros = [(f.context.pedestal_adu, f.context.pedestal_from) for f in stored]
    if not this.stands:
        zeros = known.zeros.pedestals(connection, stored, this.settings)
    matches = known.matcher.match(connection, rig_id, [f for f in stored if _to_match(f)])
    trails = known.trails.of_rig(connection, rig_id)
    found = []
    for frame, sky, (zero_adu, zero_from) in zip(stored, skies, zeros, strict=True):
        context = replace(
            sky,
            kind=frame.header.kind,  # the look at the run comes after
            kind_from=frame.header.kind_from,
            pedestal_adu=zero_adu,
            pedestal_from=zero_from,
        )
        placement = matches.get(frame.identity.id, frame.placement)
        if frame.key in trails:
            placement = replace(placement, streaks=trails[frame.key])
        found.append(replace(frame, context=context, placement=placement))
    return found


def _standing(this: Settling, stored: Sequence[Frame]) -> list[Frame]:
    """Leave frames as they were placed; what they are compared with is loaded."""
    matches = [frame for frame in stored if _to_match(frame)]
    this.known.matcher.match(this.connection, this.run.rig_id, matches)
    return list(stored)


def _to_match(frame: Frame) -> bool:
    return frame.measurement.measured and frame.header.kind is Kind.LIGHT


def _extinctions(frames: Sequence[Frame], known: Known) -> dict[str, "Extinction"]:
    from runlog.core.sky.extinction import Sighting, run_extinction

    sightings: dict[str, list[Sighting]] = {}
    for frame in frames:
        if not _to_match(frame) or known.matcher.reference(frame) is None:
            continue
        own = sightings.setdefault(frame.context.filter, [])
        light, airmass = frame.placement.throughput, frame.context.airmass
        if light is not None and airmass is not None and frame.identity.counted:
            own.append(Sighting(frame.placement.matched_to, airmass, light))
    return {name: run_extinction(own, extinction_mag(name)) for name, own in sightings.items()}


@dataclass(frozen=True, slots=True)
class _Light:
    """Compares frames' light with that of the frames they are laid on."""

    this: Settling
    extinctions: Mapping[str, "Extinction"]

    def compared(self, frame: Frame) -> Frame:
        """Give a frame its transparency, and the sky of the best frame of its name.

        The sky does not hang on the field as stars do: a night at another place, lit throughout,
        must not pass by its own darkest frame.
        """
        if not _to_match(frame):
            return frame
        best = self.this.known.matcher.best(frame)
        sky = None if best is None else self._sky_of(best)
        stored = frame.placement.transparency
        light = stored if self.this.stands else self._transparency(frame)
        placement = replace(frame.placement, transparency=light, best_sky_adu_s=sky)
        return replace(frame, placement=placement)

    def _transparency(self, frame: Frame) -> float | None:
        """Take out of the throughput what a clear sky takes."""
        light, airmass = frame.placement.throughput, frame.context.airmass
        reference = self.this.known.matcher.reference(frame)
        there = None if reference is None else self._airmass_of(reference)
        if light is None or airmass is None or there is None:
            return light
        return self.extinctions[frame.context.filter].corrected(light, airmass, there)

    def _airmass_of(self, reference: Frame) -> float | None:
        """Give the airmass of a reference, which may lie in a run that is not settled yet."""
        known = self.this.known.airmass
        if reference.key not in known:
            run = run_store.run_of_frame(self.this.connection, reference.identity.id)
            moved = not same_site(run.settled_by, self.this.settings)
            (sky,) = sky_of([reference], self.this.settings, moved=moved)
            known[reference.key] = sky.airmass
        return known[reference.key]

    def _sky_of(self, best: Frame) -> float | None:
        known = self.this.known.skies
        if best.key not in known:
            this = self.this
            zero_adu = best.context.pedestal_adu
            if not this.stands:
                zeros = this.known.zeros.pedestals(this.connection, [best], this.settings)
                ((zero_adu, _),) = zeros
            airmass = self._airmass_of(best)
            context = replace(best.context, pedestal_adu=zero_adu, airmass=airmass)
            known[best.key] = sky_rate_at_zenith(replace(best, context=context))
        return known[best.key]


def _not_judged(frame: Frame) -> Verdict:
    if frame.context.kind is not Kind.LIGHT:
        words = f"{frame.context.kind.value}: {frame.context.kind_from}"
        return Verdict(Grade.UNGRADED, note=words)
    return Verdict(Grade.UNGRADED, note="a copy: another frame of this exposure counts")


# --- what other runs will ask of this one ---------------------------------------------------


def _tells_zero(frame: Frame) -> bool:
    return frame.context.kind in ZEROS


def _zero_levels(frames: Sequence[Frame]) -> str:
    """Sign the levels of a run's bias and dark frames, to see when they change."""
    levels = sorted(
        f"{frame.key}:{frame.measurement.level.median_adu}"
        for frame in frames
        if _tells_zero(frame) and frame.measurement.level
    )
    return " ".join(levels)
