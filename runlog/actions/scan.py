"""Find new and changed files, read and measure them, store them, grade their runs."""

import os
import time
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, closing, nullcontext
from datetime import UTC, datetime
from itertools import islice

from sqlalchemy import Engine

from runlog.actions.batches import Batches
from runlog.actions.changes import moves_told
from runlog.actions.gone import Looked, note_gone
from runlog.actions.open import settle_behind
from runlog.actions.restate import Restating
from runlog.actions.roots import folders_to_scan
from runlog.actions.scan_report import Progress, ScanReport
from runlog.config import Settings
from runlog.ingest import leftovers
from runlog.ingest.alone import outcome_of, read_alone
from runlog.ingest.discover import EMPTY, FoundFile, Walk, is_gone, same_time
from runlog.ingest.harmless import is_harmless
from runlog.ingest.pool import default_workers, pool
from runlog.ingest.remote import Place
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
from runlog.store.engine import reading, writing
from runlog.store.files import KnownFile, OldMeasure, PixelIndex
from runlog.store.frames import FileStamp, path_parts, stamp_of
from runlog.store.mine import own_rigs, require_writer
from runlog.store.roots import Roots, set_away, set_scanned

BATCH_FRAMES = 16
BATCH_SECONDS = 1.0
AHEAD = 3  # files handed out per worker before their turn
LOOKS_TOLD = 200  # files and folders looked at between two words about it
FEW = 2  # so few files are read at once, without the second it takes to start workers


Report = Callable[[Progress], None]
Stop = Callable[[], bool]
Tell = Callable[[str], None]
Takes = Callable[[FoundFile], bool]
Crew = Callable[[int], AbstractContextManager[Executor]]  # of so many readers


def scan(
    engine: Engine,
    settings: Settings,
    folders: Sequence[bytes],
    *,
    workers: int | None = None,
    report: Report = lambda _: None,
    stop: Stop = lambda: False,
    remeasure: bool = False,
    takes: Takes = lambda _: True,
    cluster: str | None = None,
    tell: Tell = lambda _: None,
) -> ScanReport:
    """Bring the database up to date with the frames under some folders.

    What it does not take is left as it was known, as what is still being written.
    With `cluster`, the address of a scheduler, its workers read; `tell` hears what is to be known.
    With `remeasure`, also what an earlier version measured: each frame keeps its old numbers until
    the new ones are stored, so that it may be stopped at any moment and goes on the next time.
    """
    began = time.monotonic()
    with reading(engine) as connection:
        require_writer(connection)
        own_before = own_rigs(connection)
    leftovers.clear()
    roots = folders_to_scan(engine, settings, folders)
    job = _Scan(engine, settings, roots, report, stop, remeasure=remeasure, takes=takes)
    job.look(roots)
    if cluster is None:
        job.read_all(workers or default_workers())
    elif job.todo:
        job.read_all_by(cluster, tell)
    if not job.stopped():
        job.note_missing(roots)
        job.note_scanned(roots)
    moves = Restating()
    settle_behind(
        engine, settings, lambda done, total: report(Progress("grading", done, total)), moves
    )
    job.result.history = moves_told(engine, moves)
    if job.todo:
        with reading(engine) as connection:
            job.result.restated = moves.restated(connection)
    job.result.new_rigs = _new_rigs(engine, own_before)
    job.result.in_reject_folders = _in_reject_folders(engine, job.result.new_paths)
    if remeasure:
        job.result.measured_before = measured_before(engine)
    job.result.seconds = time.monotonic() - began
    return job.result


def measured_before(engine: Engine) -> int:
    """Count the frames whose numbers are of an earlier version of the measurement."""
    with reading(engine) as connection:
        return file_store.count_measured_before(connection, MEASURE_VERSION, MEASURED)


def _new_rigs(engine: Engine, own_before: Collection[str]) -> list[str]:
    with reading(engine) as connection:
        return [rig for rig in own_rigs(connection) if rig not in own_before]


def _in_reject_folders(engine: Engine, new_paths: Sequence[bytes]) -> int:
    if not new_paths:
        return 0
    from runlog.actions.propose import proposed

    return len(proposed(engine, among=new_paths))


class _Scan:
    """One scan: what is known, what is to do, what came of it."""

    def __init__(
        self,
        engine: Engine,
        settings: Settings,
        folders: Sequence[bytes],
        report: Report,
        stop: Stop,
        *,
        remeasure: bool,
        takes: Takes,
    ) -> None:
        self.engine, self.settings, self.report, self.stop = engine, settings, report, stop
        self.takes = takes
        self.result = ScanReport()
        with reading(engine) as connection:
            self.roots = Roots.load(connection)
            self.known = file_store.known_files(connection, self.roots, folders)
            self.old: dict[bytes, OldMeasure] = (
                file_store.measured_before(connection, self.roots, MEASURE_VERSION, MEASURED)
                if remeasure
                else {}
            )
            compared = history.compared_with(connection) if self.old else frozenset()
        self.old_keys = {old.content_key for old in self.old.values()}
        self.batches = Batches(engine, settings, self._is_again, compared & self.old_keys)
        self.taken: set[str] = set()  # frames to measure again, of whose files one will do
        self.todo: list[FoundFile] = []
        self.pixels: PixelIndex = {}
        self.cramped: list[Task] = []  # what wants more memory than a worker's share
        self.seen: set[bytes] = set()
        self.there: set[int] = set()  # roots of which something was seen
        self.crew: Crew = pool

    def stopped(self) -> bool:
        self.result.interrupted = self.result.interrupted or self.stop()
        return self.result.interrupted

    # --- looking ---------------------------------------------------------------------------

    def look(self, roots: Iterable[bytes]) -> None:
        """Walk the folders and set aside what is unchanged."""
        walk = Walk(go_on=self._looking)
        back: list[int] = []
        for found in walk.files(roots):
            if self.stopped():
                break
            if found.path in self.seen:
                continue
            self.seen.add(found.path)
            self._sort(found, back)
        self.result.other_formats = walk.other_formats
        self.result.packed_otherwise = walk.packed_otherwise
        self.result.problems = walk.problems
        plugged_in = [root.id for root in self.roots.here if root.away and root.id in self.there]
        if back or plugged_in:
            with writing(self.engine) as connection:
                file_store.set_missing(connection, back, missing=False)
                set_away(connection, plugged_in, away=False)

    def _looking(self, count: int) -> bool:
        """Tell how far looking is; a folder may hold 100,000 files and no frame."""
        if count % LOOKS_TOLD == 1:
            self.report(Progress("looking", count))
        return not self.stopped()

    def _sort(self, found: FoundFile, back: list[int]) -> None:
        known = self.known.get(found.path)
        if root := self.roots.over(found.path) if known is None else self.roots[known.root_id]:
            self.there.add(root.id)
        if known is None or not is_same(known, found):
            if self.takes(found):
                self.todo.append(found)
            return
        if known.missing:
            back.append(known.id)
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
        unreadable = [path for path, _ in self.result.problems if not is_gone(path)]
        gone = {
            known.id: known
            for path, known in self.known.items()
            if path not in self.seen
            and _under(path, roots)
            and not _under(path, unreadable)
            and is_gone(path)
        }
        if not gone:
            return
        here = {root.id: root for root in self.roots.here}
        not_there = [path for path, _ in self.result.problems]
        lost = note_gone(
            self.engine, Looked(here, self.known.values(), gone, self.there), not_there
        )
        self.result.missing, self.result.away = lost.missing, lost.away
        self.result.problems += [(folder, EMPTY) for folder in lost.emptied]

    def note_scanned(self, roots: Sequence[bytes]) -> None:
        """Note when each root that is there was looked at as a whole."""
        empty = {path for path, why in self.result.problems if why == EMPTY}
        looked_at = [root for root in self.roots.here if root.folder in {*roots} - empty]
        whole = [root.id for root in looked_at if os.path.isdir(root.folder)]
        if whole:
            with writing(self.engine) as connection:
                set_scanned(connection, whole, datetime.now(UTC))

    # --- reading ---------------------------------------------------------------------------

    def read_all(self, workers: int) -> None:
        """Read what is to do and store results as they come, in small transactions."""
        if not self.todo:
            return
        with reading(self.engine) as connection:
            found = {(file.size, file.mtime_ns) for file in self.todo}
            self.pixels = file_store.known_pixels(connection, found)
        few = len(self.todo) <= FEW and all(is_harmless(f.path, f.size) for f in self.todo)
        read = self._in_turn() if few else self._through(min(workers, len(self.todo)))
        batch: list[Outcome] = []
        last = time.monotonic()
        with closing(read) as outcomes:  # workers end here, whatever ends the scan
            for done, outcome in enumerate(outcomes, start=1):
                batch.append(outcome)
                if len(batch) >= BATCH_FRAMES or time.monotonic() - last >= BATCH_SECONDS:
                    self._store(batch)
                    batch, last = [], time.monotonic()
                self.report(Progress("reading", done, len(self.todo)))
        self._store(batch)

    def read_all_by(self, address: str, tell: Tell) -> None:
        """Read by the workers of a cluster, each of which finds the files where it has them."""
        from runlog.ingest.cluster import cluster
        from runlog.store.roots_files import on_machines

        with reading(self.engine) as connection:
            everywhere = on_machines(connection)
        folders = {root.id: everywhere.get(root.id, {}) for root in self.roots.all}
        named = {root.name: folders[root.id] for root in self.roots.all}

        def find(path: bytes) -> Place:
            stamp = self.batches.stamps[path]
            root_id = stamp.place.root_id
            name = self.roots[root_id].name
            return Place(name, stamp.place.path, stamp.size, folders[root_id])

        with cluster(address, named, find, tell) as workers:
            self.crew = lambda _: nullcontext(workers)
            self.read_all(workers.size)

    def _store(self, batch: Sequence[Outcome]) -> None:
        for outcome, arrival in self.batches.write(batch):  # counted only once it is safely in
            self.result.count(outcome, arrival)

    def _is_again(self, stamp: FileStamp) -> bool:
        """Tell whether a file is read only to be measured again: it has not changed."""
        known = self.known.get(stamp.path)
        return known is not None and is_same(known, stamp) and stamp.path in self.old

    def _task(self, found: FoundFile) -> Task:
        stamp = stamp_of(self.roots, found.path, found.size, found.mtime_ns)
        self.batches.stamps[found.path] = stamp
        known = self.pixels.get((found.size, found.mtime_ns), ())
        again = self._is_again(stamp)
        return Task(
            found.path,
            path_parts(stamp.told),
            self.settings.rules,
            tuple(KnownPixels(*entry) for entry in known if entry[0] not in self.old_keys),
            kind=self.old[found.path].kind if again else None,
            limits=self.settings.limits,
        )

    def _in_turn(self) -> Generator[Outcome, None, None]:
        for found in self.todo:
            if self.stopped():
                return
            yield read_file(self._task(found))

    def _through(self, workers: int) -> Generator[Outcome, None, None]:
        """Read in worker processes; what needs more than a share of the memory comes last."""
        yield from self._by(workers, map(self._task, self.todo))
        if self.cramped and not self.stopped():
            yield from self._by(1, iter(self.cramped))

    def _by(self, workers: int, waiting: Iterator[Task]) -> Iterator[Outcome]:
        """Read by so many workers; a file that kills its worker is read alone, then given up."""
        while True:
            with self.crew(workers) as executor:
                broken = yield from self._drain(executor, waiting, workers)
            if not broken:
                return
            yield from map(read_alone, broken)

    def _drain(
        self, executor: Executor, waiting: Iterator[Task], workers: int
    ) -> Generator[Outcome, None, list[Task]]:
        """Hand out tasks a few ahead, yield what comes back; return those a dead worker held."""
        running: dict[Future[Outcome], Task] = {}
        while True:
            free = 0 if self.stopped() else workers * AHEAD - len(running)
            for task in islice(waiting, free):
                try:
                    running[executor.submit(read_file, task)] = task
                except BrokenProcessPool:
                    return [*running.values(), task]
            if not running:
                return []
            for future in wait(running, timeout=0.5, return_when=FIRST_COMPLETED).done:
                if isinstance(future.exception(), BrokenProcessPool):
                    return list(running.values())
                task = running.pop(future)
                outcome = outcome_of(future, task)
                if outcome.cramped and workers > 1:
                    self.cramped.append(task)
                else:
                    yield outcome
            if self.stopped():
                running = {future: task for future, task in running.items() if not future.cancel()}


def is_same(known: KnownFile | FoundFile, found: FoundFile | FileStamp) -> bool:
    """Tell whether a file is as it was when it was read."""
    return known.size == found.size and same_time(known.mtime_ns, found.mtime_ns)


def _under(path: bytes, roots: Iterable[bytes]) -> bool:
    return any(path == root or path.startswith(root.rstrip(b"/") + b"/") for root in roots)
