"""What is published of a frame, key by key: JSON, CSV, and what lists and charts show.

Keys are a contract: add, never rename or move.
"""

from collections.abc import Callable, Mapping
from typing import Any

from runlog.core.frame import Field, Frame, Kind, Level, Streak, Zone

PUBLISHED: Mapping[str, Callable[[Frame], Any]] = {
    "fingerprint": lambda f: f.key,
    "kind": lambda f: f.context.kind.value,
    "kind_from": lambda f: f.context.kind_from,
    "night": lambda f: f.context.night or None,
    "rig": lambda f: f.context.rig,
    "target": lambda f: f.context.target,
    "filter": lambda f: f.context.filter,
    "taken_at_utc": lambda f: f.header.taken_at_utc,
    "exposure_s": lambda f: f.header.exposure_s,
    "binning": lambda f: f.header.binning_x,
    "gain": lambda f: f.header.gain,
    "offset": lambda f: f.header.offset,
    "sensor_c": lambda f: f.header.sensor_c,
    "set_c": lambda f: f.header.set_c,
    "focus_pos": lambda f: f.header.focus_pos,
    "focus_c": lambda f: f.header.focus_c,
    "pier_side": lambda f: f.header.pier_side,
    "airmass": lambda f: f.context.airmass,
    "moon_alt_deg": lambda f: f.context.moon_alt_deg,
    "moon_sep_deg": lambda f: f.context.moon_sep_deg,
    "stars": lambda f: f.measurement.stars,
    "fwhm_px": lambda f: f.measurement.fwhm_px,
    "fwhm_px_err": lambda f: f.measurement.fwhm_px_err,
    "fwhm_arcsec": lambda f: f.fwhm_arcsec,
    "axis_ratio": lambda f: f.measurement.axis_ratio,
    "eccentricity": lambda f: f.measurement.eccentricity,
    "eccentricity_err": lambda f: f.measurement.eccentricity_err,
    "elongation_deg": lambda f: f.measurement.elongation_deg,
    "alignment": lambda f: f.measurement.alignment,
    "hfr_px": lambda f: f.measurement.hfr_px,
    "background_adu": lambda f: f.measurement.background_adu,
    "noise_adu": lambda f: f.measurement.noise_adu,
    "pedestal_adu": lambda f: f.context.pedestal_adu,
    "gradient_pct": lambda f: f.gradient_pct,
    "hot_pixels_ppm": lambda f: f.measurement.hot_pixels_ppm,
    "throughput": lambda f: f.placement.throughput,
    "transparency": lambda f: f.placement.transparency,
    "shift_x_px": lambda f: f.placement.shift_x_px,
    "shift_y_px": lambda f: f.placement.shift_y_px,
    "rotation_deg": lambda f: f.placement.rotation_deg,
    "effective_s": lambda f: f.judgement.effective_s,
    "effective_form": lambda f: f.judgement.effective_form,
    "clipped_stars": lambda f: f.measurement.clipped_stars,
    "streaks": lambda f: _ends(f.placement.streaks) if f.measurement.measured else None,
    "field": lambda f: _field(f.measurement.field),
    "grade": lambda f: f.judgement.grade.value if _is_graded(f) else None,
    "graded_by": lambda f: f.judgement.graded_by if _is_graded(f) else None,
    "faults": lambda f: [fault.name.value for fault in f.judgement.faults],
    "evidence": lambda f: {fault.name.value: fault.evidence for fault in f.judgement.faults},
    "note": lambda f: _note(f),
    "questions": lambda f: [q.text for q in (*f.header.questions, *f.judgement.questions)],
    "corrected": lambda f: list(f.context.corrected),
    "level": lambda f: f.measurement.level and _plain(f.measurement.level),
    "peak_adu": lambda f: f.measurement.peak_adu,
}
# What a row says besides: where the files are, and of a file that is no frame why.
ROW_KEYS = ("path", "paths", "missing", *PUBLISHED, "error")


def _is_graded(frame: Frame) -> bool:
    return frame.context.kind is Kind.LIGHT


def _note(frame: Frame) -> str | None:
    """Give the note on a frame, and behind it what those say whose rig it is not."""
    own, said = frame.judgement.note, frame.judgement.said
    return "; ".join([*([own] if own else ()), *said]) if said else own


def _ends(streaks: tuple[Streak, ...]) -> list[list[float]]:
    return [[s.x0, s.y0, s.x1, s.y1] for s in streaks]


def _field(field: Field | None) -> dict[str, Any] | None:
    if field is None:
        return None
    return _plain(field) | {"zones": [_plain(zone) for zone in field.zones]}


def _plain(value: Field | Level | Zone) -> dict[str, Any]:
    """Give a dataclass as a dictionary, one level deep: a copy of the rest takes its time."""
    return {name: getattr(value, name) for name in value.__dataclass_fields__}


def value_of(frame: Frame, key: str) -> Any:
    """Give one published value of a frame."""
    return PUBLISHED[key](frame)
