"""Find new and changed files, read and measure them, store them, grade their runs."""

import os
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import islice

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import StatementError

from runlog.actions.interpret import interpreter
from runlog.actions.open import settle_behind
from runlog.config import Settings
from runlog.core.failures import OWN_FAULT, PATIENCE_SETTING, place_of
from runlog.core.frame import FrameHeader, Kind
from runlog.errors import RunlogError, UsageError, ValueRefusedError
from runlog.ingest.discover import Found, Walk
from runlog.ingest.paths import stored_path
from runlog.ingest.pool import default_workers, pool
from runlog.ingest.task import (
    MEASURE_VERSION,
    MEASURED,
    KnownPixels,
    Outcome,
    Task,
    read_file,
)
from runlog.store import files as file_store
from runlog.store import history
from runlog.store.engine import reading, write, writing
from runlog.store.files import KnownFile, OldMeasure, PixelIndex
from runlog.store.frames import (
    Arrival,
    FileStamp,
    Interpreter,
    path_parts,
    put_failure,
    put_frame,
)

BATCH_FRAMES = 16
BATCH_SECONDS = 1.0
AHEAD = 3  # files handed out per worker before their turn
FEW = 2  # so few files are read at once, without the second it takes to start workers


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


Report = Callable[[Progress], None]
Stop = Callable[[], bool]


def scan(
    engine: Engine,
    settings: Settings,
    folders: Sequence[bytes],
    *,
    workers: int | None = None,
    report: Report = lambda _: None,
    stop: Stop = lambda: False,
    remeasure: bool = False,
) -> ScanReport:
    """Bring the database up to date with the frames under some folders.

    With `remeasure`, also what an earlier version measured: each frame keeps its old numbers until
    the new ones are stored, so that it may be stopped at any moment and goes on the next time.
    """
    began = time.monotonic()
    roots = _roots(engine, folders)
    job = _Scan(engine, settings, report, stop, remeasure=remeasure)
    job.look(roots)
    job.read_all(workers or default_workers())
    if not job.stopped():
        job.note_missing(roots)
    settle_behind(engine, settings, lambda done, total: report(Progress("grading", done, total)))
    job.result.in_reject_folders = _in_reject_folders(engine, job.new_paths)
    if remeasure:
        job.result.measured_before = measured_before(engine)
    job.result.seconds = time.monotonic() - began
    return job.result


def measured_before(engine: Engine) -> int:
    """Count the frames whose numbers are of an earlier version of the measurement."""
    with reading(engine) as connection:
        return file_store.count_measured_before(connection, MEASURE_VERSION, MEASURED)


def _in_reject_folders(engine: Engine, new_paths: Sequence[bytes]) -> int:
    if not new_paths:
        return 0
    from runlog.actions.propose import proposed

    return len(proposed(engine, among=new_paths))


def _roots(engine: Engine, folders: Sequence[bytes]) -> list[bytes]:
    named = [stored_path(folder) for folder in folders]
    for path in named:
        if not os.path.exists(path):
            raise UsageError("There is no such folder or file", os.fsdecode(path))
    if named:
        with writing(engine) as connection:
            file_store.remember_roots(connection, filter(os.path.isdir, named), datetime.now(UTC))
        return named
    with reading(engine) as connection:
        before = file_store.roots(connection)
    if not before:
        raise UsageError(
            "No folder was scanned before", cure="Name one: runlog scan /path/to/your/nights"
        )
    return before


class _Scan:
    """One scan: what is known, what is to do, what came of it."""

    def __init__(
        self, engine: Engine, settings: Settings, report: Report, stop: Stop, *, remeasure: bool
    ) -> None:
        self.engine, self.settings, self.report, self.stop = engine, settings, report, stop
        self.interpret: Interpreter = interpreter(settings)
        self.result = ScanReport()
        with reading(engine) as connection:
            self.known: dict[bytes, KnownFile] = file_store.known_files(connection)
            self.old: dict[bytes, OldMeasure] = (
                file_store.measured_before(connection, MEASURE_VERSION, MEASURED)
                if remeasure
                else {}
            )
            compared = history.compared_with(connection) if self.old else frozenset()
        self.old_keys = {old.content_key for old in self.old.values()}
        self.old_references = compared & self.old_keys
        self.taken: set[str] = set()  # frames to measure again, of whose files one will do
        self.todo: list[Found] = []
        self.pixels: PixelIndex = {}
        self.new_paths: list[bytes] = []
        self.seen: set[bytes] = set()
        self.stamps: dict[bytes, FileStamp] = {}

    def stopped(self) -> bool:
        self.result.interrupted = self.result.interrupted or self.stop()
        return self.result.interrupted

    # --- looking ---------------------------------------------------------------------------

    def look(self, roots: Iterable[bytes]) -> None:
        """Walk the folders and set aside what is unchanged."""
        walk = Walk()
        back: list[bytes] = []
        for count, found in enumerate(walk.files(roots)):
            if self.stopped():
                break
            if found.path in self.seen:
                continue
            self.seen.add(found.path)
            self._sort(found, back)
            if count % 200 == 0:
                self.report(Progress("looking", count))
        self.result.other_formats = walk.other_formats
        self.result.packed_otherwise = walk.packed_otherwise
        self.result.problems = walk.problems
        if back:
            with writing(self.engine) as connection:
                file_store.set_missing(connection, back, missing=False)

    def _sort(self, found: Found, back: list[bytes]) -> None:
        known = self.known.get(found.path)
        if known is None or (known.size, known.mtime_ns) != (found.size, found.mtime_ns):
            self.todo.append(found)
            return
        if known.missing:
            back.append(found.path)
        old = self.old.get(found.path)
        if old is not None and old.content_key not in self.taken:
            self.taken.add(old.content_key)
            self.todo.append(found)
            return
        if known.error is not None:
            self.result.failed.append((found.path, known.error))
        else:
            self.result.unchanged += 1

    def note_missing(self, roots: Sequence[bytes]) -> None:
        """Note known files that are gone from the folders looked at; their frames stay."""
        unreadable = [path for path, _ in self.result.problems if os.path.lexists(path)]
        gone = [
            path
            for path, known in self.known.items()
            if path not in self.seen
            and _under(path, roots)
            and not _under(path, unreadable)
            and not os.path.lexists(path)
        ]
        if not gone:
            return
        with writing(self.engine) as connection:
            file_store.set_missing(
                connection, [p for p in gone if not self.known[p].missing], missing=True
            )
            lost = file_store.files_of_lost_frames(connection)
        # A frame that moved is not missing, though its old path is.
        self.result.missing = len({lost[path] for path in gone if path in lost})

    # --- reading ---------------------------------------------------------------------------

    def read_all(self, workers: int) -> None:
        """Read what is to do and store results as they come, in small transactions."""
        if not self.todo:
            return
        with reading(self.engine) as connection:
            self.pixels = file_store.known_pixels(connection)
        few = len(self.todo) <= FEW
        outcomes = self._in_turn() if few else self._through(min(workers, len(self.todo)))
        batch: list[Outcome] = []
        last = time.monotonic()
        for done, outcome in enumerate(outcomes, start=1):
            batch.append(outcome)
            if len(batch) >= BATCH_FRAMES or time.monotonic() - last >= BATCH_SECONDS:
                self._store(batch)
                batch, last = [], time.monotonic()
            self.report(Progress("reading", done, len(self.todo)))
        self._store(batch)

    def _task(self, found: Found) -> Task:
        self.stamps[found.path] = FileStamp(found.path, found.size, found.mtime_ns)
        known = self.pixels.get((found.size, found.mtime_ns), ())
        again = self._is_again(self.stamps[found.path])
        return Task(
            found.path,
            path_parts(found.path),
            self.settings.rules,
            tuple(KnownPixels(*entry) for entry in known if entry[0] not in self.old_keys),
            kind=self.old[found.path].kind if again else None,
            limits=self.settings.limits,
        )

    def _in_turn(self) -> Iterator[Outcome]:
        for found in self.todo:
            if self.stopped():
                return
            yield read_file(self._task(found))

    def _through(self, workers: int) -> Iterator[Outcome]:
        """Read in worker processes; a file that kills its worker is read alone, then given up."""
        waiting = iter(self.todo)
        while True:
            with pool(workers) as executor:
                broken = yield from self._drain(executor, waiting, workers * AHEAD)
            if not broken:
                return
            yield from map(_alone, broken)

    def _drain(
        self, executor: Executor, waiting: Iterator[Found], most: int
    ) -> Generator[Outcome, None, list[Task]]:
        """Hand out tasks a few ahead, yield what comes back; return those a dead worker held."""
        running: dict[Future[Outcome], Task] = {}
        while True:
            for found in islice(waiting, 0 if self.stopped() else most - len(running)):
                task = self._task(found)
                try:
                    running[executor.submit(read_file, task)] = task
                except BrokenProcessPool:
                    return [*running.values(), task]
            if not running:
                return []
            for future in wait(running, timeout=0.5, return_when=FIRST_COMPLETED).done:
                if isinstance(future.exception(), BrokenProcessPool):
                    return list(running.values())
                running.pop(future)
                yield future.result()
            if self.stopped():
                running = {future: task for future, task in running.items() if not future.cancel()}

    def _store(self, batch: Sequence[Outcome]) -> None:
        if not batch:
            return
        now = datetime.now(UTC)
        for outcome, arrival in self._written(batch, now):  # counted only once it is safely in
            self._count(outcome, arrival)

    def _written(self, batch: Sequence[Outcome], now: datetime) -> list[tuple[Outcome, str]]:
        """Write a batch at once; where that fails, file by file, so that one costs no other."""
        try:
            return write(
                self.engine, lambda connection: [(o, self._put(connection, o, now)) for o in batch]
            )
        except Exception as error:
            if concerns_all(error):
                raise
        return [self._written_alone(outcome, now) for outcome in batch]

    def _written_alone(self, outcome: Outcome, now: datetime) -> tuple[Outcome, str]:
        try:
            return outcome, write(self.engine, lambda c: self._put(c, outcome, now))
        except Exception as error:
            if concerns_all(error):
                raise
            if outcome.frame is None:  # not even its failure: it is named, and read again
                return outcome, "failed"
            failure = Outcome(outcome.path, failure=why_not_stored(error), passing=True)
        return self._written_alone(failure, now)

    def _put(self, connection: Connection, outcome: Outcome, now: datetime) -> str:
        stamp = self.stamps[outcome.path]
        again = self._is_again(stamp)
        if outcome.frame is None:
            if again:  # the frame keeps its file and its old numbers; the next time may do better
                return "failed"
            why = outcome.failure or "cannot be read"
            put_failure(connection, stamp, why, now, outcome.passing)
            return "failed"
        put = put_frame(connection, stamp, outcome.frame, self.interpret, now)
        if outcome.frame.content_key in self.old_references:
            history.compare_anew(connection, outcome.frame.content_key, MEASURE_VERSION)
        if again and put.arrival is Arrival.KNOWN:
            return "remeasured"
        if put.arrival is not Arrival.COPY:
            return "new" if put.arrival is Arrival.NEW else "rewritten"
        still_there = any(os.path.lexists(path) for path in put.other_paths)
        return "duplicate" if still_there else "moved"

    def _is_again(self, stamp: FileStamp) -> bool:
        """Tell whether a file is read only to be measured again: it has not changed."""
        known = self.known.get(stamp.path)
        same = known is not None and (known.size, known.mtime_ns) == (stamp.size, stamp.mtime_ns)
        return same and stamp.path in self.old

    def _count(self, outcome: Outcome, arrival: str) -> None:
        if outcome.failure is not None:
            self.result.failed.append((outcome.path, outcome.failure))
            return
        setattr(self.result, arrival, getattr(self.result, arrival) + 1)
        header = outcome.header
        if header is None:
            return
        if arrival == "new":
            self.new_paths.append(outcome.path)
            self.result.kinds[header.kind.value] += 1
        if header.kind is Kind.LIGHT and header.taken_at_utc is None:
            self.result.doubts.append((outcome.path, _without_time(header)))
        if header.kind is Kind.LIGHT and header.exposure_s is None:
            self.result.doubts.append((outcome.path, "has no exposure time: it adds 0 s"))


def _without_time(header: FrameHeader) -> str:
    """Say what a frame lacks that belongs to no night."""
    codes = {question.code for question in header.questions}
    if "date-without-time" in codes:
        lacks = "no time of day"
    else:
        lacks = "no date that can be read" if "date-unreadable" in codes else "no date"
    return f"has {lacks}: it belongs to no night"


def _alone(task: Task) -> Outcome:
    """Read a file in a process of its own, which may end without a word; its time is noted."""
    with tempfile.TemporaryDirectory(prefix="runlog-") as folder:
        notes = os.path.join(folder, "notes")
        try:
            with pool(1) as executor:
                return executor.submit(read_file, replace(task, last_words=notes)).result()
        except BrokenProcessPool:
            why = "made its worker process die (out of memory?)"
            # Only the watch over its time writes there.
            if os.path.exists(notes) and os.path.getsize(notes):
                why = f"hung until its worker process was ended (see {PATIENCE_SETTING})"
            return Outcome(task.path, failure=why, passing=True)


def concerns_all(error: Exception) -> bool:
    """Tell trouble of the whole database (locked, full, read-only) from that of one file."""
    return isinstance(error, RunlogError) and not isinstance(error, ValueRefusedError)


def why_not_stored(error: Exception) -> str:
    """Say why what was read of a file could not be written down."""
    cause = error.orig if isinstance(error, StatementError) else error
    if isinstance(error, ValueRefusedError):
        return f"could not be stored: {error.what[0].lower()}{error.what[1:]}"
    if isinstance(cause, OverflowError):
        return "could not be stored: a value of its header is out of all range"
    return f"{OWN_FAULT} while it was stored, not through its own fault ({place_of(error)})"


def _under(path: bytes, roots: Iterable[bytes]) -> bool:
    return any(path == root or path.startswith(root.rstrip(b"/") + b"/") for root in roots)
