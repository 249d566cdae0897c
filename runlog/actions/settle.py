"""Settle a run: context, matches, kinds, grades, marks and sums, written in one go."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions.context import ZeroLevels, lit_site, sky_of
from runlog.actions.depths import Depths, Frozen
from runlog.actions.grounds import from_this_site, grounds_of
from runlog.actions.matcher import Matcher
from runlog.actions.nameless import gather_behind
from runlog.actions.readouts import compare_rows
from runlog.actions.recurring import Trails
from runlog.actions.second_look import is_light, looked_at_again, questions
from runlog.config import Settings
from runlog.core.frame import Frame, Grade, Kind, Question, Verdict
from runlog.core.grading.baseline import by_group, shape_group, sky_rate_at_zenith, usual_shape
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import extinction_mag
from runlog.core.ledger.totals import RunSum, sum_run
from runlog.core.sky.daylight import sky_as_known
from runlog.core.sky.extinction import Extinction, Sighting, run_extinction
from runlog.errors import StoreError
from runlog.store import history
from runlog.store import marks as mark_store
from runlog.store import runs as run_store
from runlog.store.engine import reading, writing
from runlog.store.history import UsualWidths
from runlog.store.marks import Mark
from runlog.store.runs import RunState
from runlog.store.settling import frames_to_settle, write_settled

ROUNDS = 20  # settling one run may show that another is out of date, and scans go on meanwhile
ZEROS = (Kind.BIAS.value, Kind.DARK.value)
Found = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame with everything settling found out about it."""

    row: Frame
    frame: Frame
    found: Mapping[str, Any]  # columns that may differ from the row's
    questions: tuple[Question, ...]
    verdict: Verdict
    mark: Mark | None
    extinction: Extinction | None  # by which its transparency was reckoned

    @property
    def grade(self) -> Grade:
        """The grade in force: a person's mark outranks the automatic one."""
        return Grade(self.mark.grade) if self.mark else self.verdict.grade

    @property
    def is_light(self) -> bool:
        """Tell whether the frame is a light that counts for its exposure."""
        return is_light(self.frame)


@dataclass(slots=True)
class Known:
    """What one settling remembers from run to run, so that it is looked up once."""

    matcher: Matcher = field(default_factory=Matcher)
    trails: Trails = field(default_factory=Trails)
    zeros: ZeroLevels = field(default_factory=ZeroLevels)
    depths: Depths = field(default_factory=Depths)
    airmass: dict[int, float | None] = field(default_factory=dict)  # of references
    skies: dict[int, float | None] = field(default_factory=dict)  # of references


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that is written when a run is settled."""

    updates: list[dict[str, Any]]
    sums: list[RunSum]
    usual: UsualWidths
    zeros: str
    cameras: list[str]
    frozen: list[Frozen]


def settle_all(
    engine: Engine, settings: Settings, report: Callable[[int, int], None] = lambda *_: None
) -> int:
    """Settle every run that is not up to date, also those a crash left behind."""
    settled = 0
    gather_behind(engine)
    for _ in range(ROUNDS):
        compare_rows(engine)
        known = Known()
        dirty = _dirty(engine, known)
        if not dirty:
            return settled
        for done, run in enumerate(dirty):
            report(done, len(dirty))
            settled += _settle(engine, run, settings, known)
        report(len(dirty), len(dirty))
    if not settled:
        raise StoreError(
            "The nights kept changing while they were graded",
            cure="Another scan is at work; run the command again when it has ended",
        )
    return settled


def _dirty(engine: Engine, known: Known) -> list[RunState]:
    """List the runs to settle, with those that another night's frames put out of date.

    Their frames are matched to a frame best no more, or a line of theirs turns out to recur.
    References are found in the same view of the database as the runs: what is stored later
    makes its run dirty again and is settled in the next round, by the references of then.
    """
    with reading(engine) as connection:
        dirty = run_store.dirty_runs(connection)
        outdated: set[int] = set()
        for rig_id in sorted({run.rig_id for run in dirty}):
            outdated |= known.matcher.outdated(connection, rig_id)
            outdated |= known.trails.runs_shown_otherwise(connection, rig_id)
    if not outdated - {run.id for run in dirty}:
        return dirty
    with writing(engine) as connection:
        run_store.touch_runs(connection, outdated)
        return run_store.dirty_runs(connection)


def _settle(engine: Engine, run: RunState, settings: Settings, known: Known) -> bool:
    """Settle one run as it was listed; False when it changed since, or another settled it."""
    with reading(engine) as connection:
        if run_store.dirty_run(connection, run.id) != run:
            return False
        outcome = _compute(connection, run, settings, known)
    with writing(engine) as connection:
        grounds = grounds_of(settings)
        if not write_settled(connection, run, outcome.updates, outcome.sums, grounds):
            return False
        _remember(connection, run, outcome)
    known.depths.stored(run.rig_id)
    return True


def _remember(connection: Connection, run: RunState, outcome: Outcome) -> None:
    history.put_usual(connection, run.id, outcome.usual)
    history.put_zeros(connection, run.id, outcome.zeros, outcome.cameras)
    for frozen in outcome.frozen:
        history.freeze_depth(connection, run.rig_id, asdict(frozen))


def _compute(connection: Connection, run: RunState, settings: Settings, known: Known) -> Outcome:
    judged = judge_run(connection, run, settings, known)
    depths = [_depth(connection, run.rig_id, j, settings, known) for j in judged]
    lights = [(j, depth) for j, depth in zip(judged, depths, strict=True) if j.is_light]
    return Outcome(
        updates=[u for j, depth in zip(judged, depths, strict=True) if (u := _changes(j, depth))],
        sums=sum_run((j.frame, j.grade, depth["effective_s"]) for j, depth in lights),
        usual=_usual_widths([j.frame for j, _ in lights]),
        zeros=_zero_levels(judged),
        cameras=sorted({j.row.camera_key for j in judged if j.row.kind in ZEROS}),
        frozen=known.depths.fresh(run.rig_id),
    )


def judge_run(
    connection: Connection, run: RunState, settings: Settings, known: Known
) -> list[Judged]:
    """Look at all frames of a run and grade its lights, writing nothing."""
    rows = frames_to_settle(connection, run.id)
    if not rows:
        return []
    found = _placed(connection, run, rows, settings, known)
    extinctions = _add_transparency(connection, rows, found, settings, known)
    skies = _best_skies(connection, rows, found, settings, known)
    frames = looked_at_again(
        [_frame(row, f, sky) for row, f, sky in zip(rows, found, skies, strict=True)]
    )
    asked = questions(frames, [lit_site(row, settings) for row in rows])
    earlier = history.earlier_nights(connection, run.rig_id, run.night)
    lights = [f for f in frames if is_light(f)]
    verdicts = grade_run(sky_as_known(lights), settings.policy, earlier)
    marks = mark_store.standing_marks(connection, run.id)
    return [
        Judged(
            row,
            frame,
            found[i],
            asked[i],
            verdicts.get(frame.key) or _not_judged(frame),
            marks.get(row.id),
            extinctions.get(frame.filter),
        )
        for i, (row, frame) in enumerate(zip(rows, frames, strict=True))
    ]


# --- what may differ from what is stored -----------------------------------------------------


def _placed(
    connection: Connection,
    run: RunState,
    rows: Sequence[Frame],
    settings: Settings,
    known: Known,
) -> list[Found]:
    """Give each frame its sky, its zero level, and its place on the reference."""
    found = sky_of(rows, settings, moved=not from_this_site(run.grounds, settings))
    zeros = known.zeros.pedestals(connection, rows, settings)
    matches = known.matcher.match(connection, run.rig_id, [r for r in rows if _to_match(r)])
    trails = known.trails.of_rig(connection, run.rig_id)
    for row, values, zero in zip(rows, found, zeros, strict=True):
        if zero != (row.pedestal_adu, row.pedestal_from):
            values["pedestal_adu"], values["pedestal_from"] = zero
        if row.id in matches:
            values.update(matches[row.id])
        if row.content_key in trails:
            values["streaks"] = trails[row.content_key]
    return found


def _to_match(row: Frame) -> bool:
    return row.measured_with is not None and row.header_kind == Kind.LIGHT.value


def _add_transparency(
    connection: Connection,
    rows: Sequence[Frame],
    found: Sequence[Found],
    settings: Settings,
    known: Known,
) -> dict[str, Extinction]:
    """Take out of the throughput what a clear sky takes; gives the extinction by filter."""
    matched = [(row, f, known.matcher.reference(row, f)) for row, f in zip(rows, found, strict=True)
               if _to_match(row)]  # fmt: skip
    extinctions = _extinctions((row, f) for row, f, reference in matched if reference)
    for row, values, reference in matched:
        light = values.get("throughput", row.throughput)
        airmass = values.get("airmass", row.airmass)
        there = reference and _airmass_of(connection, reference, settings, known)
        if light is not None and airmass is not None and there is not None:
            light = extinctions[row.filter].corrected(light, airmass, there)
        values["transparency"] = light
    return extinctions


def _extinctions(frames: Iterable[tuple[Frame, Found]]) -> dict[str, Extinction]:
    sightings: dict[str, list[Sighting]] = {}
    for row, values in frames:
        own = sightings.setdefault(row.filter, [])
        light = values.get("throughput", row.throughput)
        airmass = values.get("airmass", row.airmass)
        if light is not None and airmass is not None and row.counted:
            own.append(Sighting(values.get("matched_to", row.matched_to), airmass, light))
    return {name: run_extinction(own, extinction_mag(name)) for name, own in sightings.items()}


def _airmass_of(
    connection: Connection, reference: Frame, settings: Settings, known: Known
) -> float | None:
    """Give the airmass of a reference, which may lie in a run that is not settled yet."""
    if reference.id not in known.airmass:
        grounds = run_store.run_of_frame(connection, reference.id).grounds
        moved = not from_this_site(grounds, settings)
        (found,) = sky_of([reference], settings, moved=moved)
        known.airmass[reference.id] = found.get("airmass", reference.airmass)
    return known.airmass[reference.id]


def _best_skies(
    connection: Connection,
    rows: Sequence[Frame],
    found: Sequence[Found],
    settings: Settings,
    known: Known,
) -> list[float | None]:
    """Give the sky of the best frame of each light's name, a second, at the zenith.

    None where unknown. The sky does not hang on the field as stars do: a night at another place,
    lit throughout, must not pass by its own darkest frame.
    """
    references = [
        known.matcher.best(row, values) if _to_match(row) else None
        for row, values in zip(rows, found, strict=True)
    ]
    return [
        None if reference is None else _sky_of_best(connection, reference, settings, known)
        for reference in references
    ]


def _sky_of_best(
    connection: Connection, reference: Frame, settings: Settings, known: Known
) -> float | None:
    if reference.id not in known.skies:
        ((pedestal_adu, _),) = known.zeros.pedestals(connection, [reference], settings)
        airmass = _airmass_of(connection, reference, settings, known)
        frame = run_store.run_frame(reference, pedestal_adu=pedestal_adu, airmass=airmass)
        known.skies[reference.id] = sky_rate_at_zenith(frame)
    return known.skies[reference.id]


IN_FRAME = (
    "airmass moon_alt_deg moon_sep_deg sun_alt_deg pedestal_adu throughput transparency "
    "shift_x_px shift_y_px rotation_deg rows_out_of_place best_of_name field_runs"
).split()


def _frame(row: Frame, found: Found, best_sky_adu_s: float | None) -> Frame:
    values = {name: found[name] for name in IN_FRAME if name in found}
    values["reference"] = found.get("matched_to", row.matched_to)
    placed = found.get("shift_x_px", row.shift_x_px) is not None
    values["matched"] = None if values["reference"] is None else placed
    if "streaks" in found:
        values["streaks"] = len(found["streaks"])
    values["best_sky_adu_s"] = best_sky_adu_s
    return run_store.run_frame(row, **values, arcsec_per_px=row.arcsec_per_px)


def _not_judged(frame: Frame) -> Verdict:
    if frame.kind is not Kind.LIGHT:
        return Verdict(Grade.UNGRADED, note=f"{frame.kind.value}: {frame.kind_from}")
    return Verdict(Grade.UNGRADED, note="a copy: another frame of this exposure counts")


def _depth(
    connection: Connection, rig_id: int, j: Judged, settings: Settings, known: Known
) -> Found:
    """Reckon effective time of a light."""
    if not j.is_light:
        return {}
    seconds = known.depths.effective_s(
        connection, known.matcher, rig_id, j.row, j.found, settings.depth_form
    )
    form = settings.depth_form.value if seconds is not None else None
    return {"effective_s": seconds, "effective_form": form}


def _changes(j: Judged, depth: Found) -> dict[str, Any]:
    """Columns of a frame that are no longer what is stored, with the frame's id."""
    values = {
        **j.found,
        **depth,
        "kind": j.frame.kind.value,
        "kind_from": j.frame.kind_from,
        "run_questions": [asdict(q) for q in j.questions],
        "auto_grade": j.verdict.grade.value,
        "grade": j.grade.value,
        "graded_by": "person" if j.mark else "auto",
        "faults": [
            {"name": f.name.value, "grade": f.grade.value, "evidence": f.evidence}
            for f in j.verdict.faults
        ],
        "note": (j.mark.note if j.mark else None) or j.verdict.note,
    }
    changed = {name: value for name, value in values.items() if getattr(j.row, name) != value}
    return changed | {"frame_id": j.row.id} if changed else {}


# --- what other runs will ask of this one ---------------------------------------------------


def _usual_widths(frames: Sequence[Frame]) -> dict[tuple[str, int], float]:
    usual = by_group([f for f in frames if f.measured], shape_group, usual_shape)
    return {
        (str(key[0]), int(str(key[1]))): found.fwhm_px
        for key, found in usual.items()
        if found.fwhm_px is not None
    }


def _zero_levels(judged: Sequence[Judged]) -> str:
    """Sign the levels of a run's bias and dark frames, to see when they change."""
    levels = sorted(
        f"{j.row.content_key}:{j.row.level['median_adu']}"
        for j in judged
        if j.row.kind in ZEROS and j.row.level
    )
    return " ".join(levels)
