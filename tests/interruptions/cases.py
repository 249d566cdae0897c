"""The commands that are struck, each with the database it starts from and the book it writes in."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from runlog.store.migrate import known_revisions
from tests.interruptions.world import HALF, NOTHING, OLD_LIMITS, OLD_MEASURE, SCANNED, World

SCAN, INTERFACE = "scan", "interface"
LINKS = "links"  # the folder of a home that links are made in


@dataclass(frozen=True, slots=True)
class Case:
    """One command to be struck, and what it is to do."""

    name: str
    words: tuple[str, ...]
    start: str  # the database it begins with, as the world knows it
    book: str = ""  # that it appends one entry to, whole or not at all
    refused: str = ""  # said by the same command, where its entry was written by the one struck
    beside: tuple[str, ...] = ()  # another command at the same moment, not struck
    workers: bool = False  # it has processes of its own
    interface: str = ""  # which of the two is struck where the interface marks: scan or interface

    @property
    def is_short(self) -> bool:
        """Tell whether it works alone and for a moment, so that its start would take longest."""
        return not (self.workers or self.interface or self.beside)

    @property
    def migrates(self) -> bool:
        """Tell whether it starts from an earlier version's tables."""
        return self.start.isdigit()


def cases(world: World) -> Iterator[Case]:
    """Give every case on SQLite."""
    first, second = str(world.first), str(world.second)
    both = ("scan", str(Path(first).parent), "--workers", "2")
    yield Case("scan", both, NOTHING, workers=True)
    yield Case("scan of a later night", ("scan", second, "--workers", "2"), HALF, workers=True)
    again = ("scan", "--remeasure", "--workers", "2")
    yield Case("scan --remeasure", again, OLD_MEASURE, workers=True)
    yield from _of_a_person()
    yield Case("regrade", ("regrade",), OLD_LIMITS)
    yield Case("regrade --all", ("regrade", "--all"), OLD_LIMITS)
    yield Case("export --links", ("export", "--links", LINKS), SCANNED)
    yield Case("export --links --hard", ("export", "--links", LINKS, "--hard"), SCANNED)
    two = ("scan", second, "--workers", "2")
    yield Case("two scans at once", two, HALF, beside=two, workers=True)
    yield Case("scan while the interface marks", two, HALF, workers=True, interface=SCAN)
    yield Case("interface that marks while a scan runs", two, HALF, interface=INTERFACE)
    for revision in known_revisions()[:-1]:
        yield Case(f"migration from {revision}", ("nights",), revision)


def _of_a_person() -> Iterator[Case]:
    """Give the commands by which a person says something."""
    frames = ("M33_L_0001.fits", "M33_L_0003.fits")
    yield Case("mark", ("mark", *frames, "reject", "--note", "clouds"), SCANNED, "mark")
    night = ("correct", "filter", "R", "--night", "2026-10-10")
    yield Case("correct", night, SCANNED, "correction")
    undone = "already undone"
    yield Case("correct --undo", ("correct", "--undo", "1"), SCANNED, "correction", undone)
    merge = ("targets", "merge", "Near field", "M33")
    yield Case("targets merge", merge, SCANNED, "target_change", "one target already")
    yield Case("targets undo", ("targets", "undo", "1"), SCANNED, "target_change", undone)
    yield Case("goal", ("goal", "M33", "OIII", "3"), SCANNED, "goal")
    note = ("note", "new camera", "--date", "2026-10-12")
    yield Case("note", note, SCANNED, "rig_note")
