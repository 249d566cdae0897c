"""Settle a run: context, matches, kinds, grades, marks and sums, written in one go."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, Engine, Row

from runlog.actions.context import ZeroLevels, sky_of
from runlog.actions.depths import Depths, Frozen, scale_of
from runlog.actions.matching import Matcher, field_of, transparency
from runlog.config import Settings
from runlog.core.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.baseline import by_group, shape_group, usual_shape
from runlog.core.corrections import BY_A_PERSON
from runlog.core.doubts import wrong_filters
from runlog.core.frame import Grade, Kind, Question, RunFrame, Verdict
from runlog.core.grading import History, grade_run
from runlog.core.policy import digest_of
from runlog.core.questions import overlaps
from runlog.core.totals import RunSum, sum_run
from runlog.errors import StoreError
from runlog.store import history
from runlog.store import marks as mark_store
from runlog.store import runs as run_store
from runlog.store.engine import reading, writing
from runlog.store.history import UsualWidths
from runlog.store.marks import Mark
from runlog.store.runs import RunState

TRIES = 20  # a run that changes under us again and again is being scanned elsewhere
ROUNDS = 10  # settling one run may show that another is out of date
SUN_UP_DEG = -4.0  # brighter than any deep-sky exposure is begun
ZEROS = (Kind.BIAS.value, Kind.DARK.value)


NOT_YET = Verdict(Grade.UNGRADED, note="not graded yet")


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame with everything settling found out about it."""

    row: Row[Any]
    frame: RunFrame
    found: Mapping[str, Any]  # columns that changed or may have
    questions: tuple[Question, ...] = ()
    verdict: Verdict = NOT_YET
    mark: Mark | None = None

    @property
    def grade(self) -> Grade:
        """The grade in force: a person's mark outranks the automatic one."""
        return Grade(self.mark.grade) if self.mark else self.verdict.grade

    @property
    def is_light(self) -> bool:
        """Tell whether the frame is a light that counts for its exposure."""
        return self.frame.kind is Kind.LIGHT and self.frame.counted


@dataclass(slots=True)
class Known:
    """What one settling remembers from run to run, so that it is looked up once."""

    matcher: Matcher = field(default_factory=Matcher)
    zeros: ZeroLevels = field(default_factory=ZeroLevels)
    depths: Depths = field(default_factory=Depths)


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
    for _ in range(ROUNDS):
        with reading(engine) as connection:
            dirty = run_store.dirty_runs(connection)
        if not dirty:
            return settled
        known = Known()
        for done, run in enumerate(dirty):
            report(done, len(dirty))
            _settle(engine, run, settings, known)
        report(len(dirty), len(dirty))
        settled += len(dirty)
        _touch_outdated(engine, known)
    return settled


def _touch_outdated(engine: Engine, known: Known) -> None:
    """Have the runs settled again whose frames are matched to a frame that is best no more."""
    with writing(engine) as connection:
        for (rig_id, field), reference in known.matcher.references.items():
            if reference is not None:
                key = reference.row.content_key
                history.touch_outdated(connection, rig_id, field, key)


def _settle(engine: Engine, run: RunState, settings: Settings, known: Known) -> None:
    for _ in range(TRIES):
        with reading(engine) as connection:
            current = run_store.dirty_run(connection, run.id)
            if current is None:  # another process settled it
                return
            outcome = _compute(connection, current, settings, known)
        with writing(engine) as connection:
            policy = digest_of(settings.policy)
            if run_store.write_settled(connection, current, outcome.updates, outcome.sums, policy):
                _remember(connection, current, outcome)
                return
    raise StoreError(
        f"The night of {run.night or 'unknown date'} kept changing while it was graded",
        cure="Another scan is at work; run the command again when it has ended",
    )


def _remember(connection: Connection, run: RunState, outcome: Outcome) -> None:
    history.put_usual(connection, run.id, outcome.usual)
    history.put_zeros(connection, run.id, outcome.zeros, outcome.cameras)
    for frozen in outcome.frozen:
        history.freeze_depth(connection, run.rig_id, asdict(frozen))


def _compute(connection: Connection, run: RunState, settings: Settings, known: Known) -> Outcome:
    judged = judge_run(connection, run, settings, known)
    deep, frozen = _with_depths(connection, run.rig_id, judged, settings, known)
    lights = [j for j in deep if j.is_light]
    return Outcome(
        updates=[u for j in deep if (u := _changes(j))],
        sums=sum_run((j.frame, j.grade, j.found.get("effective_s")) for j in lights),
        usual=_usual_widths([j.frame for j in lights]),
        zeros=_zero_levels(judged),
        cameras=sorted({j.row.camera_key for j in judged if j.row.kind in ZEROS}),
        frozen=frozen,
    )


def judge_run(
    connection: Connection, run: RunState, settings: Settings, known: Known
) -> list[Judged]:
    """Look at all frames of a run and grade its lights, writing nothing."""
    rows = run_store.frames_of_run(connection, run.id)
    if not rows:
        return []
    judged = _look_again(_placed(connection, run, rows, settings, known))
    judged = _with_questions(judged)
    earlier = history.earlier_nights(connection, run.rig_id, run.night)
    marks = mark_store.standing_marks(connection, run.id)
    return _graded(judged, marks, settings, earlier)


def _placed(
    connection: Connection,
    run: RunState,
    rows: Sequence[Row[Any]],
    settings: Settings,
    known: Known,
) -> list[Judged]:
    """Give each frame its sky, its zero level, and its place on the reference."""
    sky = sky_of(rows, settings)
    zeros = known.zeros.pedestals(connection, rows, settings)
    lights = [r for r in rows if r.header_kind == Kind.LIGHT.value and r.measured_with is not None]
    matches = known.matcher.match(connection, run.rig_id, lights)
    judged = []
    for row, around, zero in zip(rows, sky, zeros, strict=True):
        found = {**around, "pedestal_adu": zero[0], "pedestal_from": zero[1]}
        found |= matches.get(row.id, {})
        if row.id in matches:
            found["transparency"] = _transparency(connection, run.rig_id, row, found, known)
        judged.append(Judged(row, _frame(row, found), found))
    return judged


def _transparency(
    connection: Connection, rig_id: int, row: Row[Any], found: Mapping[str, Any], known: Known
) -> float | None:
    reference = known.matcher.reference(connection, rig_id, field_of(row))
    if reference is None:
        return None
    # The reference's airmass as settled; its header's until then.
    there = reference.row.airmass or reference.row.header_airmass
    return transparency(found["throughput"], found["airmass"], there, row.filter)


IN_FRAME = (
    "airmass moon_alt_deg moon_sep_deg sun_alt_deg pedestal_adu throughput transparency "
    "shift_x_px shift_y_px rotation_deg rows_out_of_place"
).split()


def _frame(row: Row[Any], found: Mapping[str, Any]) -> RunFrame:
    matched = None
    if found.get("matched_to") is not None:
        matched = found["shift_x_px"] is not None
    values = {name: found[name] for name in IN_FRAME if name in found}
    return run_store.run_frame(row, **values, matched=matched, arcsec_per_px=scale_of(row))


# --- a second look at kinds, with the whole run in view -------------------------------------


def _look_again(judged: Sequence[Judged]) -> list[Judged]:
    """Find frames that claim to be lights but served to focus, solve or centre."""
    lights = [i for i, j in enumerate(judged) if j.is_light]
    reasons = auxiliary_reasons([_candidate(judged[i].frame) for i in lights])
    changed = list(judged)
    for n, reason in reasons.items():
        entry = judged[lights[n]]
        if entry.frame.kind_from == BY_A_PERSON:
            continue
        frame = replace(entry.frame, kind=Kind.FOCUS, kind_from=f"compared with its run: {reason}")
        changed[lights[n]] = replace(entry, frame=frame)
    return changed


def _candidate(frame: RunFrame) -> AuxCandidate:
    return AuxCandidate(
        exposure_s=frame.exposure_s,
        binning=frame.binning,
        width=frame.width,
        height=frame.height,
        focus_pos=frame.focus_pos,
    )


def _with_questions(judged: Sequence[Judged]) -> list[Judged]:
    asked: list[list[Question]] = [[] for _ in judged]
    for i, j in enumerate(judged):
        sun = j.frame.sun_alt_deg
        if j.frame.kind is Kind.LIGHT and sun is not None and sun > SUN_UP_DEG:
            asked[i].append(
                Question(
                    "sun-up",
                    f"the Sun stood at {sun:+.0f} degrees: wrong clock, local time "
                    "written as UTC, or the sign of the longitude",
                )
            )
    for i, question in _overlapping([j.frame for j in judged]):
        asked[i].append(question)
    lights = [i for i, j in enumerate(judged) if j.is_light and j.frame.measured]
    for n, question in wrong_filters([judged[i].frame for i in lights]):
        asked[lights[n]].append(question)
    return [replace(j, questions=tuple(q)) for j, q in zip(judged, asked, strict=True)]


def _overlapping(frames: Sequence[RunFrame]) -> list[tuple[int, Question]]:
    timed = [
        (i, f.taken_at_utc, f.exposure_s)
        for i, f in enumerate(frames)
        if f.counted and f.taken_at_utc is not None and f.exposure_s and f.kind is not Kind.STACK
    ]
    return [
        (
            timed[a][0],
            Question(
                "overlap",
                f"its exposure would run {seconds:.0f} s into the next one: it was probably "
                "stopped early",
            ),
        )
        for a, _, seconds in overlaps([(start, length) for _, start, length in timed])
    ]


# --- grades ---------------------------------------------------------------------------------


def _graded(
    judged: Sequence[Judged], marks: Mapping[int, Mark], settings: Settings, earlier: History
) -> list[Judged]:
    verdicts = grade_run([j.frame for j in judged if j.is_light], settings.policy, earlier)
    return [
        replace(
            j,
            verdict=verdicts.get(j.frame.key) or _not_judged(j.frame),
            mark=marks.get(j.row.id),
        )
        for j in judged
    ]


def _not_judged(frame: RunFrame) -> Verdict:
    if frame.kind is not Kind.LIGHT:
        return Verdict(Grade.UNGRADED, note=f"{frame.kind.value}: {frame.kind_from}")
    return Verdict(Grade.UNGRADED, note="a copy: another frame of this exposure counts")


def _with_depths(
    connection: Connection,
    rig_id: int,
    judged: Sequence[Judged],
    settings: Settings,
    known: Known,
) -> tuple[list[Judged], list[Frozen]]:
    """Reckon effective time of the lights; returns the references frozen on the way."""
    deep, fresh = [], []
    for j in judged:
        if not j.is_light:
            deep.append(j)
            continue
        frozen, is_new = known.depths.frozen(connection, known.matcher, rig_id, j.row)
        if frozen is not None and is_new:
            fresh.append(frozen)
        light = j.found.get("throughput")
        seconds = known.depths.effective_s(
            connection, known.matcher, rig_id, j.row, light, settings.depth_form
        )
        form = settings.depth_form.value if seconds is not None else None
        deep.append(replace(j, found={**j.found, "effective_s": seconds, "effective_form": form}))
    return deep, fresh


def _changes(j: Judged) -> dict[str, Any]:
    """Columns of a frame that are no longer what is stored, with the frame's id."""
    values = {
        **j.found,
        "kind": j.frame.kind.value,
        "kind_from": j.frame.kind_from,
        "run_questions": [{"code": q.code, "text": q.text} for q in j.questions],
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


def _usual_widths(frames: Sequence[RunFrame]) -> dict[tuple[str, int], float]:
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
