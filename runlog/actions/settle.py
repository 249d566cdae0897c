"""Settle a run: context, kinds, baseline, grades, marks and sums, written in one go."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, Row

from runlog.config import Settings
from runlog.core.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.frame import Grade, Kind, Question, RunFrame, Verdict
from runlog.core.grading import grade_run
from runlog.core.questions import overlaps
from runlog.core.totals import RunSum, sum_run
from runlog.errors import StoreError
from runlog.store import marks as mark_store
from runlog.store import runs as run_store
from runlog.store.engine import reading, writing
from runlog.store.marks import Mark
from runlog.store.runs import RunState

TRIES = 20  # a run that changes under us again and again is being scanned elsewhere
SUN_UP_DEG = -4.0  # brighter than any deep-sky exposure is begun


@dataclass(frozen=True, slots=True)
class Settled:
    """What settling found for one frame."""

    frame: RunFrame
    verdict: Verdict
    questions: tuple[Question, ...]
    mark: Mark | None

    @property
    def grade(self) -> Grade:
        """The grade in force: a person's mark outranks the automatic one."""
        return Grade(self.mark.grade) if self.mark else self.verdict.grade


def settle_all(
    engine: Engine, settings: Settings, report: Callable[[int, int], None] = lambda *_: None
) -> int:
    """Settle every run that is not up to date, also those a crash left behind."""
    with reading(engine) as connection:
        dirty = run_store.dirty_runs(connection)
    for done, run in enumerate(dirty):
        report(done, len(dirty))
        _settle(engine, run, settings)
    if dirty:
        report(len(dirty), len(dirty))
    return len(dirty)


def _settle(engine: Engine, run: RunState, settings: Settings) -> None:
    for _ in range(TRIES):
        with reading(engine) as connection:
            current = next((r for r in run_store.dirty_runs(connection) if r.id == run.id), None)
            if current is None:  # another process settled it
                return
            frames, sums = _compute(connection, current, settings)
        with writing(engine) as connection:
            if run_store.write_settled(connection, current, frames, sums):
                return
    raise StoreError(
        f"The night of {run.night or 'unknown date'} kept changing while it was graded",
        cure="Another scan is at work; run the command again when it has ended",
    )


def _compute(
    connection: Connection, run: RunState, settings: Settings
) -> tuple[list[dict[str, Any]], list[RunSum]]:
    rows = run_store.frames_of_run(connection, run.id)
    if not rows:
        return [], []
    marks = mark_store.standing_marks(connection, run.id)
    found = _context(rows, settings)
    zeros = _pedestals(connection, rows, settings)
    frames = [
        run_store.run_frame(row, **found[i], pedestal_adu=zeros[i][0]) for i, row in enumerate(rows)
    ]
    frames = _look_again(frames)
    settled = _graded(rows, frames, marks, settings)
    updates = [
        _update(row, entry, found[i], zeros[i])
        for i, (row, entry) in enumerate(zip(rows, settled, strict=True))
    ]
    lights = [(s.frame, s.grade) for s in settled if s.frame.kind is Kind.LIGHT and s.frame.counted]
    return updates, sum_run(lights)


# --- context: Sun, Moon, airmass ------------------------------------------------------------


def _context(rows: Sequence[Row[Any]], settings: Settings) -> list[dict[str, Any]]:
    """Find airmass, Moon and Sun for every row; None where place or time is not known."""
    found: list[dict[str, Any]] = [
        {
            "airmass": row.header_airmass,
            "moon_alt_deg": None,
            "sun_alt_deg": None,
            "moon_sep_deg": None,
        }
        for row in rows
    ]
    placed: dict[tuple[float, float, float], list[int]] = {}
    for i, row in enumerate(rows):
        site = _site(row, settings)
        if site is not None and row.taken_at_utc is not None and row.kind in SKYWARD:
            placed.setdefault(site, []).append(i)
    for site, members in placed.items():
        _add_sky(site, [rows[i] for i in members], [found[i] for i in members])
    return found


SKYWARD = frozenset((Kind.LIGHT.value, Kind.FOCUS.value, Kind.OTHER.value, Kind.FLAT.value))


def _site(row: Row[Any], settings: Settings) -> tuple[float, float, float] | None:
    latitude = row.latitude_deg if row.latitude_deg is not None else settings.latitude_deg
    longitude = row.longitude_deg if row.longitude_deg is not None else settings.longitude_deg
    if latitude is None or longitude is None:
        return None
    return latitude, longitude, row.elevation_m or settings.elevation_m


def _add_sky(
    place: tuple[float, float, float], rows: Sequence[Row[Any]], found: Sequence[dict[str, Any]]
) -> None:
    from runlog.core.sky import Site, airmass_of, sky_context

    sky = sky_context([_middle(row) for row in rows], Site(*place), _deg(rows, "ra_deg"),
                      _deg(rows, "dec_deg"))  # fmt: skip
    airmass = airmass_of(sky.target_alt_deg)
    for i, values in enumerate(found):
        values["sun_alt_deg"] = _known(sky.sun_alt_deg[i])
        values["moon_alt_deg"] = _known(sky.moon_alt_deg[i])
        values["moon_sep_deg"] = _known(sky.moon_sep_deg[i])
        if values["airmass"] is None:
            values["airmass"] = _known(airmass[i])


def _middle(row: Row[Any]) -> datetime:
    start: datetime = row.taken_at_utc
    return start + timedelta(seconds=(row.exposure_s or 0.0) / 2)


def _deg(rows: Sequence[Row[Any]], name: str) -> Any:
    return np.array([getattr(r, name) if getattr(r, name) is not None else np.nan for r in rows])


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# --- the camera's zero level ----------------------------------------------------------------


def _pedestals(
    connection: Connection, rows: Sequence[Row[Any]], settings: Settings
) -> list[tuple[float | None, str | None]]:
    """Find each frame's zero of light and where it was taken from; unknown is said."""
    levels = {
        camera: run_store.zero_levels(connection, camera) for camera in {r.camera_key for r in rows}
    }
    return [_pedestal(row, levels[row.camera_key], settings) for row in rows]


def _pedestal(
    row: Row[Any], zeros: Sequence[Row[Any]], settings: Settings
) -> tuple[float | None, str | None]:
    if row.header_pedestal_adu is not None:
        return row.header_pedestal_adu, "header"
    if row.stage == "raw":
        alike = [z for z in zeros if _same_settings(z, row)]
        for kind in (Kind.BIAS.value, Kind.DARK.value):
            medians = [z.level["median_adu"] for z in alike if z.kind == kind]
            if medians:
                return median(medians), f"{kind} frames"
    if settings.pedestal_adu is not None:
        return settings.pedestal_adu, "config"
    return None, None


def _same_settings(zero: Row[Any], row: Row[Any]) -> bool:
    names = ("gain", "offset", "binning_x", "readout_mode")
    return all(getattr(zero, name) == getattr(row, name) for name in names)


# --- a second look at kinds, with the whole run in view -------------------------------------


def _look_again(frames: Sequence[RunFrame]) -> list[RunFrame]:
    """Find frames that claim to be lights but served to focus, solve or centre."""
    lights = [i for i, f in enumerate(frames) if f.kind is Kind.LIGHT and f.counted]
    reasons = auxiliary_reasons([_candidate(frames[i]) for i in lights])
    changed = list(frames)
    for n, reason in reasons.items():
        i = lights[n]
        changed[i] = replace(
            frames[i], kind=Kind.FOCUS, kind_from=f"compared with its run: {reason}"
        )
    return changed


def _candidate(frame: RunFrame) -> AuxCandidate:
    return AuxCandidate(
        exposure_s=frame.exposure_s,
        binning=frame.binning,
        width=frame.width,
        height=frame.height,
        focus_pos=frame.focus_pos,
    )


def _questions(frames: Sequence[RunFrame]) -> list[tuple[Question, ...]]:
    asked: list[list[Question]] = [[] for _ in frames]
    for i, frame in enumerate(frames):
        if frame.kind is Kind.LIGHT and (frame.sun_alt_deg or -90) > SUN_UP_DEG:
            asked[i].append(
                Question(
                    "sun-up",
                    f"the Sun stood at {frame.sun_alt_deg:+.0f} degrees: wrong clock, local time "
                    "written as UTC, or the sign of the longitude",
                )
            )
    for i, question in _overlapping(frames):
        asked[i].append(question)
    return [tuple(questions) for questions in asked]


def _overlapping(frames: Sequence[RunFrame]) -> list[tuple[int, Question]]:
    timed = [
        (i, f.taken_at_utc, f.exposure_s)
        for i, f in enumerate(frames)
        if f.counted and f.taken_at_utc is not None and f.exposure_s and f.kind is not Kind.STACK
    ]
    found = overlaps([(start, length) for _, start, length in timed])
    return [
        (
            timed[a][0],
            Question(
                "overlap",
                f"its exposure would run {seconds:.0f} s into the next one: it was probably "
                "stopped early",
            ),
        )
        for a, _, seconds in found
    ]


# --- grades ---------------------------------------------------------------------------------


def _graded(
    rows: Sequence[Row[Any]],
    frames: Sequence[RunFrame],
    marks: Mapping[int, Mark],
    settings: Settings,
) -> list[Settled]:
    judged = [f for f in frames if f.kind is Kind.LIGHT and f.counted]
    verdicts = grade_run(judged, settings.policy)
    return [
        Settled(frame, verdicts.get(frame.key, _not_judged(row, frame)), asked, marks.get(row.id))
        for row, frame, asked in zip(rows, frames, _questions(frames), strict=True)
    ]


def _not_judged(row: Row[Any], frame: RunFrame) -> Verdict:
    if frame.kind is not Kind.LIGHT:
        return Verdict(Grade.UNGRADED, note=f"{frame.kind.value}: {frame.kind_from}")
    return Verdict(Grade.UNGRADED, note="a copy: another frame of this exposure counts")


def _update(
    row: Row[Any],
    entry: Settled,
    found: Mapping[str, Any],
    zero: tuple[float | None, str | None],
) -> dict[str, Any]:
    return {
        "frame_id": row.id,
        **found,
        "pedestal_adu": zero[0],
        "pedestal_from": zero[1],
        "kind": entry.frame.kind.value,
        "kind_from": entry.frame.kind_from,
        "run_questions": [{"code": q.code, "text": q.text} for q in entry.questions],
        "auto_grade": entry.verdict.grade.value,
        "grade": entry.grade.value,
        "graded_by": "person" if entry.mark else "auto",
        "faults": [
            {"name": f.name.value, "grade": f.grade.value, "evidence": f.evidence}
            for f in entry.verdict.faults
        ],
        "note": (entry.mark.note if entry.mark else None) or entry.verdict.note,
    }
