"""Whether a file that is being written is whole, as far as its header can tell."""

from enum import StrEnum

from runlog.errors import FrameError
from runlog.ingest.layout import Unit, units
from runlog.ingest.stream import Stream, open_stream

TAIL_BYTES = 64 << 10


class Extent(StrEnum):
    """How much of a file is there."""

    WHOLE = "whole"
    SHORT = "short"  # its header promises more than there is
    UNFILLED = "unfilled"  # as long as promised, but it ends in nothing: room made, not yet filled
    UNKNOWN = "unknown"  # packed, or no FITS yet: only reading it tells


def extent_of(path: bytes) -> Extent:
    """Compare a file's length with what its headers promise (FITS standard 4.0, section 4.4.1)."""
    try:
        with open_stream(path) as stream:
            return Extent.UNKNOWN if stream.packed else _of_plain(stream)
    except FrameError:
        return Extent.UNKNOWN


def _of_plain(stream: Stream) -> Extent:
    stored = stream.stored_bytes or 0
    last = None
    try:
        for unit in units(stream, 0):
            last = unit
            if unit.start + unit.data_bytes > stored:
                return Extent.SHORT
    except FrameError:  # a header without its end: more is to come, or it is damaged
        return Extent.SHORT if _is_cut(stream, stored) else Extent.UNKNOWN
    if last is None or not last.data_bytes:
        return Extent.SHORT  # a primary header alone: its image is to follow
    return Extent.UNFILLED if _ends_in_nothing(stream, last) else Extent.WHOLE


def _is_cut(stream: Stream, stored: int) -> bool:
    return stream.at >= stored


def _ends_in_nothing(stream: Stream, unit: Unit) -> bool:
    """Tell whether the last pixels are all zero bytes, as room on a disk is before it is filled."""
    count = min(TAIL_BYTES, unit.data_bytes)
    stream.go_to(unit.start + unit.data_bytes - count)
    return not any(stream.read(count))
