"""What is handed to a worker and what comes back; light, so that asking costs no second."""

from dataclasses import dataclass

from runlog.core.frame import FrameHeader, Kind
from runlog.core.header.parse import HeaderRules
from runlog.core.pixels import ReadFrame

MEASURE_VERSION = 5  # raise it when the same pixels give other numbers
# Spectra, lamps, maps and masks are other frames: what peaks in them is no star.
MEASURED = frozenset((Kind.LIGHT, Kind.FOCUS))
LEVELLED = frozenset((Kind.DARK, Kind.BIAS, Kind.FLAT, Kind.FLAT_DARK))


@dataclass(frozen=True, slots=True)
class KnownPixels:
    """A stored frame: its key, and what need not be done to its pixels again."""

    content_key: str
    measured: bool
    levelled: bool


@dataclass(frozen=True, slots=True)
class Limits:
    """How large a frame may be, and how patient a worker is with one."""

    most_megapixels: float = 250.0  # of one plane: twice the largest sensor of today
    patience: float = 1.0  # times the time a file of its size is given


@dataclass(frozen=True, slots=True)
class Task:
    """A file to read; `known` lists what is stored of the frames it may turn out to hold."""

    path: bytes
    parts: tuple[str, ...]
    rules: HeaderRules
    known: tuple[KnownPixels, ...] = ()
    kind: Kind | None = None  # what a person says it is, whatever the header says
    limits: Limits = Limits()
    last_words: str | None = None  # a file to note in why the process was ended, if it was


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a file: a frame or a reason."""

    path: bytes
    frame: ReadFrame | None = None
    header: FrameHeader | None = None  # as it is written, whatever a person says
    failure: str | None = None
    passing: bool = False  # not the file's fault: the next scan tries again
    cramped: bool = False  # it wants more memory than its worker's share


def read_file(task: Task) -> Outcome:
    """Read, fingerprint and measure one file; astropy and scipy are imported with the first."""
    from runlog.ingest.read import read_file as read

    return read(task)
