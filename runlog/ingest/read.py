"""One file in, one result out: what a worker process does. It returns failures, never raises."""

import os
from dataclasses import replace

from runlog.core.failures import OWN_FAULT, place_of
from runlog.core.frame import FrameHeader, Kind, Measurement
from runlog.core.header.parse import parse_header
from runlog.core.pixels import ReadFrame
from runlog.core.sensor.signs import Signs
from runlog.errors import CrampedError, FrameError, PassingError
from runlog.ingest.deadline import (
    Deadline,
    OverdueError,
    deadline,
    opening_s,
    overdue_words,
    reading_s,
)
from runlog.ingest.fingerprint import Array, content_key
from runlog.ingest.fits import OpenFrame, open_frame
from runlog.ingest.flat_preview import make_flat_preview
from runlog.ingest.preview import make_preview
from runlog.ingest.task import LEVELLED, MEASURE_VERSION, MEASURED, Outcome, Task
from runlog.measure import measure_frame, measure_level
from runlog.measure.readout import find_signs

ZEROS = frozenset((Kind.DARK, Kind.BIAS))  # what they show without light is the camera's own


def read_file(task: Task) -> Outcome:
    """Read, fingerprint and measure one file."""
    try:
        with deadline(task.limits.patience, task.last_words) as watch:
            return _watched(task, watch)
    except FrameError as error:
        passing, cramped = isinstance(error, PassingError), isinstance(error, CrampedError)
        return Outcome(task.path, failure=error.what, passing=passing, cramped=cramped)
    except OverdueError as late:
        return _failed(task, overdue_words(late.seconds))
    except MemoryError:
        return replace(_failed(task, CrampedError().what), cramped=True)
    except Exception as error:  # noqa: BLE001 - one strange file must not stop the others
        return _failed(task, f"{OWN_FAULT}, not through its own fault ({place_of(error)})")


def _failed(task: Task, why: str) -> Outcome:
    return Outcome(task.path, failure=why, passing=True)


def _watched(task: Task, watch: Deadline | None) -> Outcome:
    stored_bytes = _size(task.path)
    if watch is not None:
        watch.give(opening_s(stored_bytes))
    with open_frame(task.path, task.limits) as opened:
        if watch is not None:
            shape = opened.shape
            watch.give(reading_s(stored_bytes, shape.width * shape.height * shape.planes))
        return _read(task, opened)


def _size(path: bytes) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0  # opening it says why


def _read(task: Task, opened: OpenFrame) -> Outcome:
    parsed = parse_header(opened.cards, opened.shape, task.parts, task.rules)
    header = parsed if task.kind is None else replace(parsed, kind=task.kind)
    pixels = opened.pixels()
    key = content_key(pixels, str(header.taken_at_utc))
    read = ReadFrame(key, opened.cards, opened.shape)
    stored = next((k for k in task.known if k.content_key == key), None)
    if header.kind in MEASURED and not (stored and stored.measured):
        read = _measured(read, header, pixels)
    elif header.kind in LEVELLED and not (stored and stored.levelled):
        level = measure_level(pixels, ceiling_adu=ceiling_adu(header, opened.shape.bitpix))
        found = Measurement(level=level, signs=_signs(header, pixels))
        read = replace(read, measurement=found)
        if header.kind is Kind.FLAT:
            mosaic = header.mosaic is not None
            read = replace(read, preview=make_flat_preview(pixels, mosaic=mosaic))
    return Outcome(task.path, read, parsed)


def _measured(read: ReadFrame, header: FrameHeader, pixels: Array) -> ReadFrame:
    mosaic = header.mosaic
    found = measure_frame(pixels, bayer=mosaic, saturation_adu=header.saturation_adu)
    signs = find_signs(pixels, mosaic=mosaic is not None)
    flux = found.star_list.ranked_flux_adu
    found = replace(found, measured_with=MEASURE_VERSION, ranked_flux_adu=flux, signs=signs)
    read = replace(read, measurement=found)
    if header.kind is not Kind.LIGHT:
        return read
    return replace(read, preview=make_preview(pixels, found.star_list, mosaic=mosaic is not None))


def _signs(header: FrameHeader, pixels: Array) -> Signs | None:
    """Look at the rows of frames without light; a flat's are those of what it was taken of."""
    return find_signs(pixels, mosaic=header.bayer is not None) if header.kind in ZEROS else None


def ceiling_adu(header: FrameHeader, bitpix: int) -> float | None:
    """Find the level a flat's share is taken of: the header's, else the integer type's top."""
    if header.saturation_adu:
        return header.saturation_adu
    return {8: 255.0, 16: 65535.0}.get(bitpix)
