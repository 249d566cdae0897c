"""Measured frames kept on disk, so that a change of the tables does not mean measuring again."""

import hashlib
import os
import pickle
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path
from unittest.mock import patch

from runlog.actions import scan as scan_action
from runlog.config import Settings
from runlog.core import frame as nouns
from runlog.core.frame import Measurement
from runlog.core.header.parse import parse_header
from runlog.core.pixels import ReadFrame
from runlog.ingest.pool import pool
from runlog.ingest.read import MEASURE_VERSION, read_file
from runlog.ingest.task import Outcome, Task
from runlog.store.frames import path_parts

MEASURED_PARTS = (
    ReadFrame, Measurement, nouns.Card, nouns.Shape, nouns.Streak, nouns.Zone, nouns.Field,
    nouns.StarList, nouns.Level,
)  # fmt: skip


def measured_as() -> str:
    """Say what kept frames depend on besides their files: the measurement and its fields."""
    names = [(kind.__name__, [f.name for f in fields(kind)]) for kind in MEASURED_PARTS]
    return hashlib.sha256(repr((MEASURE_VERSION, names)).encode()).hexdigest()[:12]


class Kept:
    """The measured frames of some files, each in a file of its own."""

    def __init__(self, folder: Path) -> None:
        self.root = folder.absolute()
        self.folder = self.root / f"measured-{measured_as()}"
        self.folder.mkdir(parents=True, exist_ok=True)

    def _place(self, path: bytes) -> Path:
        state = os.stat(path)
        name = repr(
            (os.path.relpath(os.fsdecode(path), self.root), state.st_size, state.st_mtime_ns)
        )
        return self.folder / (hashlib.sha256(name.encode()).hexdigest()[:32] + ".pickle")

    def has(self, path: bytes) -> bool:
        """Tell whether a file was measured as it is now."""
        return self._place(path).exists()

    def get(self, task: Task) -> Outcome:
        """Answer for `read_file`; the header is read again, as that is cheap."""
        frame: ReadFrame = pickle.loads(self._place(task.path).read_bytes())
        header = parse_header(frame.cards, frame.shape, task.parts, task.rules)
        return Outcome(task.path, frame, header)

    def put(self, outcome: Outcome) -> None:
        """Keep what was measured; a frame that cannot be read is no use here."""
        if outcome.frame is None:
            raise SystemExit(f"{os.fsdecode(outcome.path)}: {outcome.failure}")
        place = self._place(outcome.path)
        unfinished = place.with_suffix(f".{os.getpid()}")
        unfinished.write_bytes(pickle.dumps(outcome.frame))
        unfinished.replace(place)  # at once: another checkout may be reading

    def forget(self) -> None:
        """Drop everything kept."""
        for place in self.folder.glob("*.pickle"):
            place.unlink()


def measure_missing(kept: Kept, paths: Sequence[bytes], workers: int) -> int:
    """Measure the files that were not yet, in worker processes if several; give how many."""
    rules = Settings().rules
    tasks = [Task(path, path_parts(path), rules) for path in paths if not kept.has(path)]
    began = time.perf_counter()
    if tasks and workers == 1:  # a pool's workers stand back behind everything else
        for task in tasks:
            kept.put(read_file(task))
    elif tasks:
        with pool(workers) as executor:
            for outcome in executor.map(read_file, tasks, chunksize=4):
                kept.put(outcome)
        print(f"measured {len(tasks)} files in {time.perf_counter() - began:.0f} s", flush=True)
    return len(tasks)


@contextmanager
def answered_from(kept: Kept) -> Iterator[None]:
    """Let a scan get its measurements from the kept ones; all else of it stays as it is."""
    every = 1 << 30  # frames; so many are read in this process
    with patch.multiple(scan_action, read_file=kept.get, FEW=every):
        yield
