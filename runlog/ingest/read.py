"""One file in, one result out: what a worker process does. It returns failures, never raises."""

from dataclasses import dataclass, replace

from runlog.core.frame import FrameHeader, Kind, ReadFrame, Stage
from runlog.core.header import HeaderRules, parse_header
from runlog.errors import FrameError
from runlog.ingest.fingerprint import Array, content_key
from runlog.ingest.fits import OpenFrame, open_frame
from runlog.measure import measure_frame, measure_level

MEASURE_VERSION = 1  # raise it when the same pixels give other numbers
MEASURED = frozenset((Kind.LIGHT, Kind.FOCUS, Kind.OTHER))
LEVELLED = frozenset((Kind.DARK, Kind.BIAS, Kind.FLAT, Kind.FLAT_DARK))


@dataclass(frozen=True, slots=True)
class Task:
    """A file to read; `known` lists keys of frames it may hold and whether they were measured."""

    path: bytes
    parts: tuple[str, ...]
    rules: HeaderRules
    known: tuple[tuple[str, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a file: a frame or a reason."""

    path: bytes
    frame: ReadFrame | None = None
    header: FrameHeader | None = None
    failure: str | None = None


def read_file(task: Task) -> Outcome:
    """Read, fingerprint and measure one file."""
    try:
        with open_frame(task.path) as opened:
            return _read(task, opened)
    except FrameError as error:
        return Outcome(task.path, failure=error.what)
    except MemoryError:
        return Outcome(task.path, failure="needs more memory than there is")
    except Exception as error:  # noqa: BLE001 - one strange file must not stop the others
        return Outcome(task.path, failure=f"made runlog fail ({type(error).__name__}: {error})")


def _read(task: Task, opened: OpenFrame) -> Outcome:
    header = parse_header(opened.cards, opened.shape, task.parts, task.rules)
    pixels = opened.pixels()
    key = content_key(pixels, str(header.taken_at_utc))
    read = ReadFrame(key, opened.cards, opened.shape)
    if dict(task.known).get(key):
        return Outcome(task.path, read, header)
    if header.kind in MEASURED:
        read = _measured(read, header, pixels)
    elif header.kind in LEVELLED:
        level = measure_level(pixels, ceiling_adu=ceiling_adu(header, opened.shape.bitpix))
        read = replace(read, level=level)
    return Outcome(task.path, read, header)


def _measured(read: ReadFrame, header: FrameHeader, pixels: Array) -> ReadFrame:
    mosaic = header.bayer if header.stage in (Stage.RAW, Stage.CALIBRATED) else None
    found = measure_frame(pixels, bayer=mosaic, saturation_adu=header.saturation_adu)
    return replace(read, measurement=found, measured_with=MEASURE_VERSION)


def ceiling_adu(header: FrameHeader, bitpix: int) -> float | None:
    """Find the level a flat's share is taken of: the header's, else the integer type's top."""
    if header.saturation_adu:
        return header.saturation_adu
    return {8: 255.0, 16: 65535.0}.get(bitpix)
