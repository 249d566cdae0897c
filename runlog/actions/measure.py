"""Measure files without a database, as rows with the keys of a stored frame."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict

from runlog.actions.frames import ROW_KEYS, Entry, arcsec, gradient_pct, unreadable_row
from runlog.actions.interpret import interpreter
from runlog.config import Settings
from runlog.core.frame import Measurement
from runlog.core.personal import NOTHING_SAID
from runlog.core.row_faults import suspicion
from runlog.ingest.task import Outcome, Task, read_file
from runlog.store.frames import path_parts


def measured_rows(paths: Sequence[bytes], settings: Settings) -> list[Entry]:
    """Measure files without a database; what needs a run stays empty."""
    return [_measured(path, settings) for path in paths]


def _measured(path: bytes, settings: Settings) -> Entry:
    task = Task(os.path.abspath(path), path_parts(path), settings.rules, limits=settings.limits)
    outcome = read_file(task)
    if outcome.frame is None or outcome.header is None:
        return unreadable_row(path, outcome.failure or "cannot be read")
    entry: Entry = dict.fromkeys(ROW_KEYS) | {
        "path": os.fsdecode(path),
        "paths": [os.fsdecode(path)],
        "missing": False,
        "fingerprint": outcome.frame.content_key,
        "faults": [],
        "evidence": {},
    }
    return entry | _header_part(outcome, settings) | _pixel_part(outcome)


def _header_part(outcome: Outcome, settings: Settings) -> Entry:
    header, frame = outcome.header, outcome.frame
    assert header is not None
    assert frame is not None
    same = (
        "kind_from taken_at_utc exposure_s gain offset sensor_c set_c focus_pos focus_c pier_side "
        "airmass pedestal_adu"
    ).split()
    said = interpreter(settings)(frame.cards, frame.shape, path_parts(outcome.path), NOTHING_SAID)
    return {key: getattr(header, key) for key in same} | {
        "kind": header.kind.value,
        "night": said.place.night or None,
        "rig": said.place.rig.name,
        "target": said.target,
        "filter": said.filter,
        "binning": header.binning_x,
        "questions": [q.text for q in header.questions],
        "level": asdict(frame.level) if frame.level else None,
    }


def _pixel_part(outcome: Outcome) -> Entry:
    header, frame = outcome.header, outcome.frame
    assert header is not None
    assert frame is not None
    got: Measurement | None = frame.measurement
    if got is None:
        return {}
    same = (
        "stars fwhm_px fwhm_px_err axis_ratio eccentricity eccentricity_err elongation_deg "
        "alignment hfr_px background_adu noise_adu hot_pixels_ppm clipped_stars"
    ).split()
    return {key: getattr(got, key) for key in same} | {
        "fwhm_arcsec": arcsec(got.fwhm_px, header.arcsec_per_px),
        "gradient_pct": gradient_pct(got.gradient_adu, got.background_adu, header.pedestal_adu),
        "streaks": [[s.x0, s.y0, s.x1, s.y1] for s in got.streaks],
        "field": asdict(got.field) if got.field else None,
        "note": "; ".join([*got.notes, *_suspicion(outcome)]) or None,
    }


def _suspicion(outcome: Outcome) -> Iterator[str]:
    """Say what stands out about the rows; whether it is a fault only other frames tell."""
    frame = outcome.frame
    words = suspicion(frame.signs, frame.shape.height) if frame and frame.signs else None
    if words:
        yield words
