"""Whether a file may be read without a worker process: nothing in it can end or fill this one."""

from runlog.errors import FrameError
from runlog.ingest.layout import units
from runlog.ingest.stream import open_stream

# As stored, and as plain pixels are: 32 megapixels of 16 bits, a quarter of a gigabyte measured.
MOST_BYTES = 64 << 20


def is_harmless(path: bytes, stored_bytes: int) -> bool:
    """Tell a file of plain pixels, and no more of them than common.

    Packed tiles are unpacked by a library in C, which damage may lead astray; whatever is packed
    may be far larger than it looks. What is no FITS at all is refused anywhere.
    """
    if stored_bytes > MOST_BYTES:
        return False
    try:
        with open_stream(path) as stream:
            return not stream.packed and not any(unit.tiled for unit in units(stream, 0))
    except FrameError:
        return True
