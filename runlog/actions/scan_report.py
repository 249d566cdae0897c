"""What a scan found, for the summary at its end."""

from collections import Counter
from dataclasses import dataclass, field

from runlog.actions.writer import Arrival
from runlog.core.frame import FrameHeader, Kind
from runlog.core.ledger.restated import Restated
from runlog.ingest.task import Outcome


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a scan has come; `total` is None while folders are still being walked."""

    stage: str
    done: int
    total: int | None = None


@dataclass(slots=True)
class ScanReport:
    """What a scan found, for the summary at its end."""

    new: int = 0
    unchanged: int = 0
    moved: int = 0
    duplicate: int = 0
    rewritten: int = 0
    missing: int = 0
    away: int = 0  # frames below folders that are not there or empty: a disk is not mounted
    remeasured: int = 0
    measured_before: int = 0  # frames that keep the numbers of an earlier version
    failed: list[tuple[bytes, str]] = field(default_factory=list)
    problems: list[tuple[bytes, str]] = field(default_factory=list)
    doubts: list[tuple[bytes, str]] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    other_formats: Counter[str] = field(default_factory=Counter)
    packed_otherwise: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    interrupted: bool = False
    in_reject_folders: int = 0  # new frames that a person had put into a folder for rejects
    history: list[str] = field(default_factory=list)  # what other nights' frames became, in words
    restated: list[Restated] = field(default_factory=list)  # hours by another reference than before
    new_paths: list[bytes] = field(default_factory=list)
    new_rigs: list[str] = field(default_factory=list)  # that are the login's own now

    def count(self, outcome: Outcome, arrival: Arrival) -> None:
        """Count a file, and note what the header of a new frame lacks."""
        if arrival is Arrival.FAILED:
            self.failed.append((outcome.path, outcome.failure or ""))
            return
        setattr(self, arrival.value, getattr(self, arrival.value) + 1)
        header = outcome.header
        if arrival is not Arrival.NEW or header is None:
            return
        self.new_paths.append(outcome.path)
        self.kinds[header.kind.value] += 1
        self.doubts += [(outcome.path, text) for text in _lacking(header)]


def your_rig(rig: str) -> str:
    """Say that a rig which nobody kept is the login's from its first frame on."""
    return f"{rig} is your rig now (who keeps which: runlog club)"


def _lacking(header: FrameHeader) -> list[str]:
    """Say what a light lacks that its night or the totals would need."""
    if header.kind is not Kind.LIGHT:
        return []
    undated = [_without_time(header)] if header.taken_at_utc is None else []
    endless = ["has no exposure time: it adds 0 s"] if header.exposure_s is None else []
    return undated + endless


def _without_time(header: FrameHeader) -> str:
    """Say what a frame lacks that belongs to no night."""
    codes = {question.code for question in header.questions}
    if "date-without-time" in codes:
        lacks = "no time of day"
    else:
        lacks = "no date that can be read" if "date-unreadable" in codes else "no date"
    return f"has {lacks}: it belongs to no night"
