"""Corrections to what a header says: read from words, checked, applied; no file is touched."""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum

from runlog.core.frame import FrameHeader, Kind
from runlog.core.header.plate import Optics
from runlog.errors import UsageError

LONGEST_EXPOSURE_S = 7200.0  # no single exposure is longer (common practice, no source)
BY_A_PERSON = "corrected by a person"  # where a kind is from that no rule may change
LONGEST_SHIFT = timedelta(days=366 * 60)


class Field(StrEnum):
    """What can be corrected."""

    TARGET = "target"
    FILTER = "filter"
    KIND = "kind"
    EXPOSURE = "exposure"
    DATE = "date"
    RIG = "rig"
    SITE = "site"


@dataclass(frozen=True, slots=True)
class RigSaid:
    """The parts of a rig a correction sets; None leaves the header's."""

    telescope: str | None = None
    camera: str | None = None
    focal_mm: float | None = None
    pixel_um: float | None = None

    def as_text(self) -> str:
        """Write it for storage."""
        return json.dumps([self.telescope, self.camera, self.focal_mm, self.pixel_um])


# --- reading what a person typed ------------------------------------------------------------


def read_kind(text: str) -> str:
    """Check a kind of frame."""
    word = text.strip().lower()
    if word not in list(Kind):
        raise UsageError(f"{text!r} is no kind of frame", cure=f"Known: {', '.join(Kind)}")
    return Kind(word).value


def read_exposure(text: str) -> str:
    """Check an exposure time in seconds; "300" or "300 s"."""
    match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*s?\s*", text)
    seconds = float(match[1]) if match else -1.0
    if not 0 < seconds <= LONGEST_EXPOSURE_S:
        raise UsageError(
            f"{text!r} is no exposure time",
            cure=f"Give seconds, above 0 and at most {LONGEST_EXPOSURE_S:g}",
        )
    return _digits(seconds)


def _digits(number: float) -> str:
    """Write a number with all its digits: the shift of a clock may be decades to the second."""
    return f"{number:.15g}"


_STEP = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(d|h|min|m|s)\b\s*")
_SECONDS = {"d": 86_400.0, "h": 3600.0, "min": 60.0, "m": 60.0, "s": 1.0}


def read_date(text: str, frames: int) -> str:
    """Check a new date: a shift ("+1h", "-30min"), an evening's date, or one frame's start."""
    said = text.strip()
    if words := re.fullmatch(r"(.+?)\s+(later|earlier)", said):
        said = ("+" if words[2] == "later" else "-") + words[1]
    if said[:1] in "+-" and (shift := _read_shift(said)) is not None:
        return f"shift {_digits(shift.total_seconds())}"
    try:
        return f"night {date.fromisoformat(said).isoformat()}"
    except ValueError:
        pass
    try:
        start = datetime.fromisoformat(said)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no date",
            cure="Give a shift (1h later, 30min earlier, +1h), the evening's date (2026-10-14), "
            "or for one frame its start in UTC (2026-10-14T22:05:00Z)",
        ) from error
    if frames > 1:
        raise UsageError(
            f"{frames} frames cannot all have begun at {said}",
            cure="Give a shift (1h later) or the evening's date, or name one frame",
        )
    start = start if start.tzinfo else start.replace(tzinfo=UTC)
    return f"start {start.astimezone(UTC).isoformat()}"


def _read_shift(said: str) -> timedelta | None:
    rest, total = said[1:].strip(), 0.0
    if not rest:
        return None
    while rest:
        match = _STEP.match(rest)
        if match is None:
            return None
        total += float(match[1]) * _SECONDS[match[2]]
        rest = rest[match.end() :]
    if not 0 <= total <= LONGEST_SHIFT.total_seconds():
        raise UsageError(
            f"{said!r} is no shift in time", cure="As in 1h later, 30min earlier or +1d 2h"
        )
    return timedelta(seconds=total if said[0] == "+" else -total)


def read_site(text: str) -> str:
    """Check a site: latitude, longitude east positive, and if given the height in metres."""
    try:
        numbers = [float(part) for part in re.split(r"[\s,;]+", text.strip())]
    except ValueError:
        numbers = []
    fits = len(numbers) in (2, 3) and abs(numbers[0]) <= 90 and -180 <= numbers[1] <= 360
    if not fits or (len(numbers) == 3 and not -500 <= numbers[2] <= 9000):
        raise UsageError(
            f"{text!r} is no site",
            cure='Latitude and longitude in degrees, east positive, then metres: "50.1 14.35 410"',
        )
    return json.dumps(numbers)


# --- saying it back ---------------------------------------------------------------------------

_PARTS = (("d", 86_400), ("h", 3600), ("min", 60))


def in_words(field: str, value: str) -> str:
    """Write a stored correction for a person."""
    if field == Field.DATE:
        return _date_words(value)
    if field == Field.RIG:
        return " + ".join(str(part) for part in json.loads(value)[:2] if part)
    if field == Field.SITE:
        return " ".join(f"{number:g}" for number in json.loads(value))
    return f"{value} s" if field == Field.EXPOSURE else value


def _date_words(value: str) -> str:
    how, _, said = value.partition(" ")
    if how == "night":
        return f"the evening of {said}"
    if how == "start":
        return datetime.fromisoformat(said).strftime("%Y-%m-%d %H:%M:%S UTC")
    seconds = float(said)
    if not seconds:
        return "right as it stands"
    return f"{_length_words(abs(seconds))} {'earlier' if seconds < 0 else 'later'}"


def _length_words(seconds: float) -> str:
    words = []
    for unit, size in _PARTS:
        count, seconds = divmod(seconds, size)
        words += [f"{count:g} {unit}"] if count else []
    words += [f"{_digits(round(seconds, 6))} s"] if seconds or not words else []
    return " ".join(words)


# --- applying -------------------------------------------------------------------------------

Evening = Callable[[FrameHeader], date | None]  # the night a header's start belongs to


def corrected_header(
    header: FrameHeader, corrections: Mapping[str, str], evening_of: Evening
) -> FrameHeader:
    """Give the header as corrected; target and filter are names, set by who folds them."""
    for field, apply in _APPLY.items():
        if field in corrections:
            header = apply(header, corrections[field])
    if Field.DATE in corrections:
        header = _dated(header, corrections[Field.DATE], evening_of)
    codes = tuple(code for f in corrections for code in _ANSWERED.get(f, ()))
    left = tuple(q for q in header.questions if not q.code.startswith(codes or ("\0",)))
    return replace(header, questions=left)


def _kind(header: FrameHeader, value: str) -> FrameHeader:
    return replace(header, kind=Kind(value), kind_from=BY_A_PERSON)


def _exposure(header: FrameHeader, value: str) -> FrameHeader:
    return replace(header, exposure_s=float(value))


def _rig(header: FrameHeader, value: str) -> FrameHeader:
    telescope, camera, focal_mm, pixel_um = json.loads(value)
    focal_mm, pixel_um = focal_mm or header.focal_mm, pixel_um or header.pixel_um
    changed = (focal_mm, pixel_um) != (header.focal_mm, header.pixel_um)
    by_optics = Optics(focal_mm, pixel_um, header.binning_x).arcsec
    return replace(
        header,
        telescope=telescope or header.telescope,
        camera=camera or header.camera,
        focal_mm=focal_mm,
        pixel_um=pixel_um,
        # What a person says of the optics outranks what the header made of them.
        arcsec_per_px=(by_optics if changed else None) or header.arcsec_per_px,
    )


def _site(header: FrameHeader, value: str) -> FrameHeader:
    latitude, longitude, *height = json.loads(value)
    return replace(
        header,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=height[0] if height else header.elevation_m,
    )


_APPLY: Mapping[str, Callable[[FrameHeader, str], FrameHeader]] = {
    Field.KIND: _kind,
    Field.EXPOSURE: _exposure,
    Field.RIG: _rig,
    Field.SITE: _site,
}
# Questions that a correction answers, by the start of their code.
_ANSWERED: Mapping[str, tuple[str, ...]] = {
    Field.FILTER: ("filter-",),
    Field.KIND: ("kind-",),
    Field.EXPOSURE: ("exposure", "end-contradicts"),
    Field.DATE: ("date-", "time", "start-", "end-contradicts"),
    Field.SITE: ("site",),
    Field.RIG: ("focal-length", "pixel-size", "plate-scale"),
}


def _dated(header: FrameHeader, value: str, evening_of: Evening) -> FrameHeader:
    how, _, said = value.partition(" ")
    if how == "start":
        return replace(header, taken_at_utc=datetime.fromisoformat(said), time_from="corrected")
    if header.taken_at_utc is None:
        return header
    if how == "shift":
        return _moved(header, header.taken_at_utc, timedelta(seconds=float(said)))
    # An evening: whole days, so that the time of day stays.
    evening = evening_of(header)
    days = (date.fromisoformat(said) - evening).days if evening else 0
    return _moved(header, header.taken_at_utc, timedelta(days=days))


def _moved(header: FrameHeader, start: datetime, by: timedelta) -> FrameHeader:
    try:
        return replace(header, taken_at_utc=start + by, time_from=f"corrected {header.time_from}")
    except OverflowError:  # a clock so wrong that the calendar ends
        return header


def night_said(corrections: Mapping[str, str]) -> str | None:
    """Give the evening a correction names, for frames that tell no time at all."""
    how, _, said = corrections.get(Field.DATE, "").partition(" ")
    return said if how == "night" else None
