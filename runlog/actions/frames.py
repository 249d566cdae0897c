"""Frames as rows with the published keys, from the database."""

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Engine, Row

from runlog.core.frame import Kind
from runlog.store.engine import reading
from runlog.store.files import failures
from runlog.store.listing import Wanted, list_frames, paths_of_frames
from runlog.store.targets import changes_in_force

ROW_KEYS = (
    "path paths missing fingerprint kind kind_from night rig target filter taken_at_utc exposure_s "
    "binning gain offset sensor_c set_c focus_pos focus_c pier_side airmass moon_alt_deg "
    "moon_sep_deg stars fwhm_px fwhm_px_err fwhm_arcsec axis_ratio eccentricity eccentricity_err "
    "elongation_deg alignment hfr_px background_adu noise_adu pedestal_adu gradient_pct "
    "hot_pixels_ppm throughput transparency shift_x_px shift_y_px rotation_deg effective_s "
    "effective_form clipped_stars streaks field grade graded_by faults evidence note questions "
    "corrected level error"
).split()
FRAME_SAME = (
    "kind kind_from target filter taken_at_utc exposure_s gain offset sensor_c set_c focus_pos "
    "focus_c pier_side airmass moon_alt_deg moon_sep_deg stars fwhm_px fwhm_px_err axis_ratio "
    "eccentricity eccentricity_err elongation_deg alignment hfr_px background_adu noise_adu "
    "pedestal_adu hot_pixels_ppm throughput transparency shift_x_px shift_y_px rotation_deg "
    "effective_s effective_form clipped_stars streaks note level"
).split()
UNREADABLE = "unreadable"

Entry = dict[str, Any]


def frame_rows(engine: Engine, wanted: Wanted) -> list[Entry]:
    """List frames with the keys of `runlog.frames/1`; unreadable files only where asked for."""
    if wanted.fault == UNREADABLE:
        with reading(engine) as connection:
            return [unreadable_row(path, reason) for path, reason in failures(connection)]
    with reading(engine) as connection:
        if wanted.target is not None:
            wanted = replace(wanted, target=changes_in_force(connection).final(wanted.target))
        rows = list_frames(connection, wanted)
        paths = paths_of_frames(connection, [r.id for r in rows] if len(rows) < 500 else None)
    return [_row(row, paths.get(row.id, [])) for row in rows]


def _row(row: Row[Any], files: Sequence[tuple[bytes, bool]]) -> Entry:
    here = [os.fsdecode(path) for path, missing in files if not missing]
    known = here or [os.fsdecode(path) for path, _ in files]
    faults = row.faults
    is_light = row.kind == Kind.LIGHT.value
    entry: Entry = dict.fromkeys(ROW_KEYS)
    entry |= {key: getattr(row, key) for key in FRAME_SAME}
    return entry | {
        "path": known[0] if known else None,
        "paths": known,
        "missing": not here,
        "fingerprint": row.content_key,
        "night": row.night or None,
        "rig": row.rig,
        "binning": row.binning_x,
        "fwhm_arcsec": arcsec(row.fwhm_px, row.arcsec_per_px),
        "gradient_pct": gradient_pct(row.gradient_adu, row.background_adu, row.pedestal_adu),
        "field": row.field,
        "grade": row.grade if is_light else None,
        "graded_by": row.graded_by if is_light else None,
        "faults": [fault["name"] for fault in faults],
        "evidence": {fault["name"]: fault["evidence"] for fault in faults},
        "corrected": row.corrected or [],
        "questions": [q["text"] for q in (*row.header_questions, *row.run_questions)],
    }


def unreadable_row(path: bytes, reason: str) -> Entry:
    """Give the row of a file that is no frame: its path and the reason."""
    name = os.fsdecode(path)
    return dict.fromkeys(ROW_KEYS) | {
        "path": name,
        "paths": [name],
        "missing": False,
        "grade": "ungraded",
        "graded_by": "auto",
        "faults": [UNREADABLE],
        "evidence": {UNREADABLE: reason},
        "error": reason,
    }


def arcsec(width_px: float | None, arcsec_per_px: float | None) -> float | None:
    """Turn a width into arc seconds where the header tells the plate scale."""
    return None if width_px is None or not arcsec_per_px else width_px * arcsec_per_px


def gradient_pct(
    span_adu: float | None, level_adu: float | None, pedestal_adu: float | None
) -> float | None:
    """Span of the sky over its median, known only where the pedestal is."""
    if span_adu is None or level_adu is None or pedestal_adu is None:
        return None
    return 100 * span_adu / (level_adu - pedestal_adu) if level_adu > pedestal_adu else None
